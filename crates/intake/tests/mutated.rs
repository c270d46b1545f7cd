//! Every form of scan with wrong bytes: it ends in order, soon, and says one line.

mod hostile;

use hostile::{LONGEST, forms, read_mutated, restore};

/// Damaged scans of each form; `cargo run --release -p jawgauge-intake --example mutate` makes more.
const EACH: u64 = 150;

#[test]
fn a_scan_of_any_form_with_wrong_bytes_is_read_or_refused_in_one_line_and_soon() {
    let forms = forms();
    assert!(forms.len() >= 19, "{} forms", forms.len());
    for form in &forms {
        let dir = tempfile::tempdir().expect("a folder");
        restore(form, dir.path());
        let sound = jawgauge_intake::list_series(
            &form.entry.as_ref().map_or_else(|| dir.path().to_owned(), |e| dir.path().join(e)),
            &jawgauge_intake::ReadOptions::default(),
        );
        let sound = sound.expect(form.name).remove(0).scan.expect(form.name);
        sound.read(None).expect(form.name);
        let mut refused = 0;
        for seed in 0..EACH {
            let ended = read_mutated(form, seed, dir.path());
            assert!(ended.took < LONGEST, "{} {seed}: {:?}", form.name, ended.took);
            if let Err(error) = ended.result {
                let line = error.to_string();
                assert!(!line.chars().any(char::is_control), "{} {seed}: {line:?}", form.name);
                assert!(line.chars().count() < 1000, "{} {seed}: {line}", form.name);
                refused += 1;
            }
            restore(form, dir.path());
        }
        assert!(refused > EACH / 10, "{}: only {refused} refused", form.name);
    }
}
