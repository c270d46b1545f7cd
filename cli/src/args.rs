//! The command line.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

/// Measures jaw bone in cone-beam CT: how wide and how high the ridge is, which fixture fits,
/// and what wall of bone is left around it.
#[derive(Debug, Parser)]
#[command(name = "jawgauge", version, max_term_width = 100, after_help = CAUTION_HELP)]
pub(crate) struct Cli {
    #[command(subcommand)]
    pub(crate) command: Command,
}

const CAUTION_HELP: &str = "Not a medical device. Verify every figure on the scan before acting on it; \
licensed practice and local rules decide.\n\nExit status: 0 done; 1 anything else; 2 the command line or the \
case file is wrong; 3 the scan cannot be read or must not be trusted; 4 some sites or values failed and the \
others are done; 5 with --require: all done, and some required wall or limit is not met.";

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Say what a scan is: geometry, grey range, warnings, whether it names a patient
    Inspect(InspectArgs),
    /// Measure every site of a case: outline, widths at levels, bone height, height to limits
    Measure(MeasureArgs),
    /// Put the case's fixtures into its sites: the walls left, and which required walls are met
    Fit(FitArgs),
    /// Write an invented scan and case, measure and fit them, and show the truth beside it
    Demo(DemoArgs),
}

#[derive(Debug, Args)]
pub(crate) struct InspectArgs {
    /// Folder of DICOM slices, or one file of the series
    pub(crate) scan: PathBuf,
    /// Write the JSON document to FILE, or to standard output for `-`
    #[arg(long, value_name = "FILE")]
    pub(crate) json: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) common: Common,
}

#[derive(Debug, Args)]
pub(crate) struct MeasureArgs {
    /// The case file (TOML)
    pub(crate) case: PathBuf,
    #[command(flatten)]
    pub(crate) output: Output,
    #[command(flatten)]
    pub(crate) doubt: Doubt,
    #[command(flatten)]
    pub(crate) cut: Cut,
    #[command(flatten)]
    pub(crate) common: Common,
}

#[derive(Debug, Args)]
pub(crate) struct FitArgs {
    /// The case file (TOML)
    pub(crate) case: PathBuf,
    /// Exit with status 5 where a site has no fixture that meets all that is required, its drills included
    #[arg(long)]
    pub(crate) require: bool,
    /// Depth of the platform below the crest where the pose is to be found, mm (-10 to 30;
    /// default 0, level with the crest; a site's `platform_depth_mm` goes first)
    #[arg(long, value_name = "MM", default_value_t = 0.0, hide_default_value = true,
          allow_hyphen_values = true, value_parser = parse_platform_depth)]
    pub(crate) platform_depth_mm: f64,
    /// Put the walls by angle and depth of every fixture into the JSON document, which grows by about
    /// 100 kB for each
    #[arg(long)]
    pub(crate) wall_maps: bool,
    #[command(flatten)]
    pub(crate) output: Output,
    #[command(flatten)]
    pub(crate) doubt: Doubt,
    #[command(flatten)]
    pub(crate) cut: Cut,
    #[command(flatten)]
    pub(crate) common: Common,
}

#[derive(Debug, Args)]
pub(crate) struct DemoArgs {
    /// Folder to write into; it must not exist [default: jawgauge-demo, or the first free
    /// jawgauge-demo-N]
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) common: Common,
}

#[derive(Debug, Args)]
pub(crate) struct Output {
    /// Write the JSON document to FILE, or to standard output for `-`
    #[arg(long, value_name = "FILE")]
    pub(crate) json: Option<PathBuf>,
    /// Write pictures (SVG, PNG) and tables (CSV) into DIR
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    /// Overwrite files that are already there
    #[arg(long)]
    pub(crate) force: bool,
}

/// What is told of the uncertainty.
#[derive(Debug, Args)]
pub(crate) struct Doubt {
    /// Show what each uncertainty is made of: sources, standard uncertainties, shares of the variance
    #[arg(long)]
    pub(crate) explain: bool,
    /// Draw the sources of each width's uncertainty so many times and hold the spread against it
    /// (Monte Carlo, JCGM 101; 1000 to 1000000 trials, 10000 where no number is given; default as the
    /// case's `monte_carlo_trials`, or not at all)
    #[arg(long, value_name = "TRIALS", num_args = 0..=1, require_equals = true,
          default_missing_value = "10000", value_parser = clap::value_parser!(u32).range(1000..=1_000_000))]
    pub(crate) monte_carlo: Option<u32>,
}

/// How sections are cut.
#[derive(Debug, Args)]
pub(crate) struct Cut {
    /// Distance of a section's samples, mm (0.02 to 1; default 0.1, a third of a usual voxel)
    #[arg(long, value_name = "MM", default_value_t = 0.1, hide_default_value = true, value_parser = parse_step)]
    pub(crate) step_mm: f64,
    /// Mean over a slab of this thickness instead of a plane, mm (0 to 20; default 0)
    #[arg(long, value_name = "MM", default_value_t = 0.0, hide_default_value = true, value_parser = parse_slab)]
    pub(crate) slab_mm: f64,
    /// How grey values between voxel centres are found
    #[arg(long, value_enum, default_value_t = Between::Cubic)]
    pub(crate) interpolation: Between,
}

#[derive(Debug, Args)]
pub(crate) struct Common {
    /// Threads to use (1 to 256; default all cores); results do not depend on it
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub(crate) threads: Option<u16>,
}

/// Interpolation between voxel centres.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Between {
    /// Trilinear
    Linear,
    /// Cubic B-spline through the voxels
    Cubic,
}

fn parse_platform_depth(text: &str) -> Result<f64, String> {
    parse_mm(text, -10.0, 30.0)
}

fn parse_step(text: &str) -> Result<f64, String> {
    parse_mm(text, 0.02, 1.0)
}

fn parse_slab(text: &str) -> Result<f64, String> {
    parse_mm(text, 0.0, 20.0)
}

fn parse_mm(text: &str, low: f64, high: f64) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value >= low && value <= high => Ok(value),
        _ => Err(format!("give millimetres from {low} to {high}")),
    }
}

#[cfg(test)]
mod tests {
    use clap::{CommandFactory, Parser};

    use super::{Cli, Command};

    #[test]
    fn the_command_line_is_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn numbers_that_are_not_millimetres_are_refused() {
        for bad in ["nan", "inf", "31", "x", "-11", ""] {
            let args = ["jawgauge", "fit", "case.toml", "--platform-depth-mm", bad];
            assert!(Cli::try_parse_from(args).is_err(), "{bad}");
        }
        let parsed =
            Cli::try_parse_from(["jawgauge", "fit", "case.toml", "--platform-depth-mm", "-1.5"]);
        let Ok(Cli { command: Command::Fit(args) }) = parsed else {
            panic!("a negative depth is a number")
        };
        assert!((args.platform_depth_mm + 1.5).abs() < 1e-12);
    }
}
