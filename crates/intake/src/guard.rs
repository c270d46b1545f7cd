use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind};

thread_local! {
    static CAUGHT: Cell<bool> = const { Cell::new(false) };
}

/// Whether a panic of this thread would be caught by the reader and become an [`crate::IntakeError`].
///
/// Libraries that take files apart stop this way on some damaged ones. A program's panic hook
/// can keep quiet then: the error is told in its place.
#[must_use]
pub fn panics_are_caught() -> bool {
    CAUGHT.get()
}

/// Does `work`; `None` where a library stopped in it.
pub(crate) fn guarded<T>(work: impl FnOnce() -> T) -> Option<T> {
    let before = CAUGHT.replace(true);
    let done = catch_unwind(AssertUnwindSafe(work));
    CAUGHT.set(before);
    done.ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_becomes_nothing_and_only_within_the_guard_is_it_said_to_be_caught() {
        let seen = guarded(panics_are_caught);
        assert_eq!(seen, Some(true));
        assert!(!panics_are_caught());
        assert_eq!(guarded(|| -> u8 { panic!("a library stops") }), None);
        assert!(!panics_are_caught());
    }
}
