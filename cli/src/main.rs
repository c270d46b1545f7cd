//! The `jawgauge` command: reads a case, measures its sites, and says what fits.

mod answer;
mod args;
mod beside;
mod case;
mod demo;
mod drilling;
mod error;
mod explain;
mod inspect;
mod output;
mod parts;
mod pictures;
mod progress;
mod restored;
mod run;
mod session;
mod space;
mod tables;
mod together;
mod unplaced;
mod warn;
mod warn_fit;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::Parser;
use clap::error::ErrorKind;
use jawgauge_report::documents::ErrorDocument;

use args::{Cli, Command, Common};
use error::{CliError, exit};
use output::Existing;

/// Keeps quiet where the reader catches the panic of a library: its error is told instead.
fn quiet_caught_panics() {
    let told = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        if !jawgauge_intake::panics_are_caught() {
            told(panic);
        }
    }));
}

fn main() -> ExitCode {
    quiet_caught_panics();
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) if e.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand => {
            // No command at all: the help is the answer.
            let _ = e.print();
            return ExitCode::from(exit::USAGE);
        }
        Err(e) if e.use_stderr() => {
            report(&usage_error(&e), json_asked(), Existing::Stays);
            return ExitCode::from(exit::USAGE);
        }
        Err(e) => {
            // Help and version; a closed pipe ends quietly.
            let _ = e.print();
            return ExitCode::SUCCESS;
        }
    };
    let json = json_of(&cli.command);
    let result = set_threads(common_of(&cli.command)).and_then(|()| match &cli.command {
        Command::Inspect(args) => inspect::inspect(args),
        Command::Measure(args) => run::measure(args),
        Command::Fit(args) => run::fit(args),
        Command::Demo(args) => demo::demo(args),
    });
    match result {
        Ok(status) => ExitCode::from(status),
        Err(error) => {
            report(&error, json, existing_of(&cli.command));
            ExitCode::from(error.exit)
        }
    }
}

/// Where `--json` asks for a document, as far as a faulty command line tells.
fn json_asked() -> Option<PathBuf> {
    let args: Vec<_> = std::env::args_os().skip(1).collect();
    let after =
        args.iter().position(|a| a == "--json").and_then(|i| args.get(i + 1)).map(PathBuf::from);
    after.or_else(|| {
        let joined = args.iter().filter_map(|a| a.to_str()?.strip_prefix("--json="));
        joined.map(PathBuf::from).next_back()
    })
}

/// A fault of the command line in one line, as every other error.
fn usage_error(error: &clap::Error) -> CliError {
    let text = error.render().to_string();
    let mut lines = text.lines().map(str::trim).filter(|l| !l.is_empty());
    let what = lines
        .next()
        .unwrap_or_default()
        .trim_start_matches("error: ")
        .trim_end_matches(':')
        .to_owned();
    // What is missing or possible stands on the lines up to the usage.
    let more: Vec<&str> =
        lines.take_while(|l| !l.starts_with("Usage:") && !l.starts_with("For more")).collect();
    let what = if more.is_empty() { what } else { format!("{what} ({})", more.join("; ")) };
    CliError::new(exit::USAGE, "usage", what, "", "see `jawgauge --help`")
}

fn common_of(command: &Command) -> &Common {
    match command {
        Command::Inspect(args) => &args.common,
        Command::Measure(args) => &args.common,
        Command::Fit(args) => &args.common,
        Command::Demo(args) => &args.common,
    }
}

fn json_of(command: &Command) -> Option<PathBuf> {
    match command {
        Command::Inspect(args) => args.json.clone(),
        Command::Measure(args) => args.output.json.clone(),
        Command::Fit(args) => args.output.json.clone(),
        Command::Demo(_) => None,
    }
}

fn existing_of(command: &Command) -> Existing {
    match command {
        Command::Measure(args) => Existing::with_force(args.output.force),
        Command::Fit(args) => Existing::with_force(args.output.force),
        Command::Inspect(_) | Command::Demo(_) => Existing::Stays,
    }
}

fn set_threads(common: &Common) -> Result<(), CliError> {
    let Some(threads) = common.threads else { return Ok(()) };
    rayon::ThreadPoolBuilder::new().num_threads(usize::from(threads)).build_global().map_err(|e| {
        CliError::new(exit::OTHER, "threads", e.to_string(), "--threads", "give fewer")
    })
}

/// One line on standard error, and the document where one was asked for.
fn report(error: &CliError, json: Option<PathBuf>, existing: Existing) {
    output::note(&error.to_string());
    let Some(path) = json else { return };
    let document = ErrorDocument::new(&error.code, &error.message(), &error.location);
    let Ok(mut text) = serde_json::to_string_pretty(&document) else { return };
    text.push('\n');
    if output::is_stdout(&path) {
        let _ = output::print(&text);
    } else if !matches!(error.code.as_str(), "file-exists" | "file-twice" | "cannot-write") {
        let mut outputs = output::Outputs::default();
        outputs.add(path, text);
        let _ = outputs.write(existing);
    }
}
