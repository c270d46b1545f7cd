//! What goes wrong, as one line for a person and one document for a script.

use std::fmt;

use jawgauge_bone::BoneError;
use jawgauge_intake::IntakeError;

/// Exit statuses.
pub(crate) mod exit {
    /// Anything that has no status of its own.
    pub(crate) const OTHER: u8 = 1;
    /// The command line or the case file is wrong.
    pub(crate) const USAGE: u8 = 2;
    /// The scan cannot be read or must not be trusted.
    pub(crate) const SCAN: u8 = 3;
    /// Some sites failed, or a value that was asked for could not be measured.
    pub(crate) const PARTLY: u8 = 4;
    /// All done, and some required wall or limit is not met.
    pub(crate) const NOT_MET: u8 = 5;
}

/// An error that ends the command, or one site of it.
#[derive(Debug, Clone)]
pub(crate) struct CliError {
    /// Stable code.
    pub(crate) code: String,
    /// What is wrong.
    pub(crate) what: String,
    /// Where: file and line, site, fixture. May be empty.
    pub(crate) location: String,
    /// What to do. May be empty.
    pub(crate) remedy: String,
    /// Exit status.
    pub(crate) exit: u8,
}

impl CliError {
    pub(crate) fn new(
        exit: u8,
        code: &str,
        what: impl Into<String>,
        location: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self {
            code: code.to_owned(),
            what: what.into(),
            location: location.into(),
            remedy: remedy.into(),
            exit,
        }
    }

    /// A site that could not be measured.
    pub(crate) fn of_site(site: &str, error: &BoneError) -> Self {
        let (code, remedy) = match error {
            BoneError::SiteOutside { .. } => (
                "site-outside-scan",
                "check `at` or `station_mm`, and that this scan is the right one",
            ),
            BoneError::NoTwoClasses { .. } => (
                "no-two-classes",
                "check that the site lies on the jaw, or give `threshold` as a grey value",
            ),
            BoneError::NothingOutlined { .. } => (
                "nothing-outlined",
                "give a `threshold` between the grey values of soft tissue and cortex, or \"auto\"",
            ),
            BoneError::CrestClipped => {
                ("crest-clipped", "use a scan that shows the whole crest, or another site")
            }
            _ => ("section", "check `axis`, `apical` and `lingual_side`"),
        };
        Self::new(exit::PARTLY, code, error.to_string(), format!("site {}", quoted(site)), remedy)
    }
}

impl From<IntakeError> for CliError {
    fn from(error: IntakeError) -> Self {
        let file = error.file().unwrap_or_default().to_owned();
        Self {
            code: error.code().to_owned(),
            what: error.to_string(),
            location: String::new(),
            remedy: String::new(),
            exit: exit::SCAN,
        }
        .about(file)
    }
}

impl CliError {
    /// The sentence already names the file; scripts get it apart as well.
    fn about(mut self, file: String) -> Self {
        if !self.what.contains(&file) {
            self.location = file;
        }
        self
    }

    /// What is wrong and what to do, without code and place.
    pub(crate) fn message(&self) -> String {
        if self.remedy.is_empty() {
            self.what.clone()
        } else {
            format!("{}: {}", self.what, self.remedy)
        }
    }
}

impl fmt::Display for CliError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "error[{}]: {}", self.code, self.what)?;
        if !self.location.is_empty() {
            write!(f, ", {}", self.location)?;
        }
        if !self.remedy.is_empty() {
            write!(f, ": {}", self.remedy)?;
        }
        Ok(())
    }
}

/// A text from a file with all that is not plainly visible escaped, quotes left as they are.
pub(crate) fn plain(text: &str) -> String {
    let mut shown = String::new();
    for c in text.chars() {
        if matches!(c, '\'' | '"' | '\\') {
            shown.push(c);
        } else {
            shown.extend(c.escape_debug());
        }
    }
    shown
}

/// A text from a file in quotes, control characters escaped.
pub(crate) fn quoted(text: &str) -> String {
    format!("{text:?}")
}
