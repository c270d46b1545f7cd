//! Documents, tables and pictures of what was measured.

pub mod documents;
pub mod picture;
