//! The command as a user runs it, on scans that are written for each test.
#![allow(dead_code)] // each test file uses its part

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;

use jawgauge_phantom::{ScanOptions, p0, write_scan};
use jawgauge_volume::Volume;
use serde_json::Value;
use tempfile::TempDir;

/// Where the site of [`p0_case`] stands and what it is called.
pub(crate) const SITE: &str = "middle of the box";

/// What a run of the command left behind.
#[derive(Debug)]
pub(crate) struct Run {
    pub(crate) status: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Run {
    /// The one JSON document on standard output.
    pub(crate) fn document(&self) -> Value {
        serde_json::from_str(&self.out)
            .unwrap_or_else(|e| panic!("not one document ({e}): {:?}\n{}", self.out, self.err))
    }

    /// The lines on standard error that begin with `error`.
    pub(crate) fn errors(&self) -> Vec<&str> {
        self.err.lines().filter(|l| l.starts_with("error")).collect()
    }

    /// Fails unless standard error holds exactly one error, in one line, with this code and
    /// all `parts`.
    pub(crate) fn assert_error(&self, status: i32, code: &str, parts: &[&str]) {
        assert_eq!(self.status, status, "{self:#?}");
        let errors = self.errors();
        let [line] = errors.as_slice() else { panic!("not one error line: {self:#?}") };
        assert!(line.starts_with(&format!("error[{code}]: ")), "{code} not in {line:?}");
        for part in parts {
            assert!(line.contains(part), "{part:?} not in {line:?}");
        }
        let strangers: Vec<_> = self
            .err
            .lines()
            .filter(|l| !l.starts_with("error[") && !l.starts_with("warning["))
            .collect();
        assert!(strangers.is_empty(), "{strangers:?} on standard error");
    }
}

/// The command, not yet started.
pub(crate) fn jawgauge() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_jawgauge"));
    for variable in ["NO_COLOR", "CLICOLOR_FORCE", "CLICOLOR", "RUST_BACKTRACE", "RUST_LOG"] {
        command.env_remove(variable);
    }
    command.stdin(Stdio::null());
    command
}

/// Runs the command to its end.
pub(crate) fn run<S: AsRef<OsStr>>(args: &[S]) -> Run {
    finish(jawgauge().args(args))
}

/// Runs a prepared command to its end.
pub(crate) fn finish(command: &mut Command) -> Run {
    let output = command.output().expect("the command starts");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("text in UTF-8");
    Run {
        status: output.status.code().expect("ended by itself, not by a signal"),
        out: text(output.stdout),
        err: text(output.stderr),
    }
}

/// The arguments as one type, for calls that mix text and paths.
macro_rules! args {
    ($($arg:expr),* $(,)?) => {
        [$(std::ffi::OsString::from(AsRef::<std::ffi::OsStr>::as_ref(&$arg))),*]
    };
}
pub(crate) use args;

/// The base phantom (a box of bone 6 mm wide and 12 mm high), sampled once.
pub(crate) fn base() -> &'static Volume {
    static BASE: OnceLock<Volume> = OnceLock::new();
    BASE.get_or_init(p0)
}

/// A folder with a scan in it, and room for cases and results.
pub(crate) struct Bench {
    dir: TempDir,
}

impl Bench {
    /// The base phantom as it is.
    pub(crate) fn p0() -> Self {
        Self::of(base(), &ScanOptions::default())
    }

    /// Any volume, written in any way.
    pub(crate) fn of(volume: &Volume, options: &ScanOptions) -> Self {
        let bench = Self::empty();
        write_scan(&bench.path("scan"), volume, options).expect("written");
        bench
    }

    /// Without a scan.
    pub(crate) fn empty() -> Self {
        Self { dir: tempfile::tempdir().expect("a folder") }
    }

    /// A place in the folder.
    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// Writes `case.toml`.
    pub(crate) fn case(&self, text: &str) -> PathBuf {
        let path = self.path("case.toml");
        fs::write(&path, text).expect("written");
        path
    }

    /// The document of `measure` or `fit` on a case that all can be done of.
    pub(crate) fn document(&self, command: &str, case: &str) -> Value {
        let run = run(&args![command, self.case(case), "--json", "-"]);
        assert_eq!(run.status, 0, "{run:#?}");
        run.document()
    }

    /// Every file below the folder, in order.
    pub(crate) fn files(&self) -> Vec<PathBuf> {
        files_below(self.dir.path())
    }
}

/// Every file below a folder, in order, hidden ones too.
pub(crate) fn files_below(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_owned()];
    while let Some(dir) = open.pop() {
        for entry in fs::read_dir(&dir).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                open.push(path);
            } else {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

/// The head of a case on the base phantom, up to its sites.
pub(crate) const P0_HEAD: &str = r#"schema = "case/1"
[scan]
path = "scan"
[ridge]
arch = "mandible"
axis = [[0.0, -9.0, 3.0], [0.0, 9.0, 3.0]]
lingual_side = [-10.0, 0.0, 0.0]
"#;

/// The site of the base phantom.
pub(crate) const P0_SITE: &str = r#"[[site]]
id = "middle of the box"
at = [0.0, 0.0, 3.0]
"#;

/// The fixture of the base phantom, straight down from the crest: it leaves 1.00, 1.00 and 4.00 mm.
pub(crate) const P0_POSE: &str = r#"  [site.pose]
  platform = [0.0, 0.0, 3.0]
  apical = [0.0, 0.0, -1.0]
"#;

/// The fixture itself.
pub(crate) const P0_FIXTURE: &str = r#"[[fixture]]
id = "4.0 x 8"
diameter_mm = 4.0
length_mm = 8.0
"#;

/// A whole case on the base phantom.
pub(crate) fn p0_case() -> String {
    [P0_HEAD, P0_SITE, P0_POSE, P0_FIXTURE].concat()
}

/// A number in a document.
pub(crate) fn number(value: &Value, pointer: &str) -> f64 {
    at(value, pointer).as_f64().unwrap_or_else(|| panic!("no number at {pointer} of {value:#}"))
}

/// A text in a document.
pub(crate) fn text<'a>(value: &'a Value, pointer: &str) -> &'a str {
    at(value, pointer).as_str().unwrap_or_else(|| panic!("no text at {pointer} of {value:#}"))
}

/// A list in a document.
pub(crate) fn list<'a>(value: &'a Value, pointer: &str) -> &'a [Value] {
    at(value, pointer).as_array().unwrap_or_else(|| panic!("no list at {pointer} of {value:#}"))
}

/// A point or direction in a document.
pub(crate) fn triple(value: &Value, pointer: &str) -> [f64; 3] {
    let numbers: Vec<f64> = list(value, pointer).iter().filter_map(Value::as_f64).collect();
    numbers.try_into().unwrap_or_else(|n| panic!("{n:?} at {pointer} is no triple"))
}

/// Whatever stands at a place of a document; it must be there, if only as `null`.
pub(crate) fn at<'a>(value: &'a Value, pointer: &str) -> &'a Value {
    value.pointer(pointer).unwrap_or_else(|| panic!("nothing at {pointer} of {value:#}"))
}

/// The codes of a list of warnings, each of which must also have a sentence.
pub(crate) fn codes<'a>(value: &'a Value, pointer: &str) -> Vec<&'a str> {
    let codes: Vec<_> = list(value, pointer)
        .iter()
        .map(|w| {
            assert!(text(w, "/message").len() > 10, "{w}");
            text(w, "/code")
        })
        .collect();
    assert!(codes.iter().all(|c| !c.is_empty()), "{codes:?}");
    codes
}

pub(crate) fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

pub(crate) fn minus(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [a[0] - b[0], a[1] - b[1], a[2] - b[2]]
}

pub(crate) fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    let d = minus(a, b);
    dot(d, d).sqrt()
}

/// Fails unless two numbers agree within `within`; a number that is none fails.
#[track_caller]
pub(crate) fn assert_near(found: f64, expected: f64, within: f64, what: &str) {
    assert!((found - expected).abs() <= within, "{what}: {found}, not {expected} within {within}");
}
