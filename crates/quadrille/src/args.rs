//! The command line.

use clap::{Args, Parser, Subcommand, ValueEnum};
use quadrille_operations::Switch;
use std::net::SocketAddr;
use std::path::PathBuf;

/// Measures sheet resistance, resistivity, carrier density and mobility by the four-contact (van der Pauw) and Hall
/// methods, over SCPI.
///
/// Not a protective device: people are protected by interlocks, enclosures and the procedures of your site. Assume
/// that this program can fail at any moment with outputs on.
#[derive(Debug, Parser)]
#[command(name = "quadrille", version, after_help = EXIT_CODES)]
pub(crate) struct Arguments {
    #[command(subcommand)]
    pub(crate) command: Command,
    /// Print the result as JSON on standard output.
    #[arg(long, global = true)]
    pub(crate) json: bool,
    /// Show no readings while they come.
    #[arg(long, global = true)]
    pub(crate) quiet: bool,
}

const EXIT_CODES: &str = "Exit codes: 0 done and passed; 1 measured but not passed; 2 bad input, nothing touched; \
3 an instrument, a link or the record failed; 4 stand-down not verified: look at the bench.";

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// The whole job on an invented scenario: proves a simulated bench on two standards, rehearses and measures a film.
    Demo(Demo),
    /// Reads documents (bench, dialect, sample, recipe) and tells every fault in them.
    Check {
        /// The documents.
        #[arg(required = true, value_name = "DOC")]
        documents: Vec<PathBuf>,
    },
    /// Every four-terminal and two-terminal resistance of a sample's model.
    Predict {
        /// The sample document.
        #[arg(long, value_name = "FILE")]
        sample: PathBuf,
        /// Flux density in teslas.
        #[arg(long, value_name = "B", default_value_t = 0.0, allow_negative_numbers = true)]
        field_t: f64,
        /// Temperature in kelvins, of a sample that depends on it [default: a room's, 295].
        #[arg(long, value_name = "T")]
        temperature_k: Option<f64>,
        /// Largest relative error of a sheet's resistances, instead of its document's [default: 1e-6].
        #[arg(long, value_name = "PART")]
        tolerance: Option<f64>,
    },
    /// The recipe on the simulated bench in virtual time: how long it takes, what it reads, what goes wrong.
    Rehearse(Rehearse),
    /// The recipe on the real bench.
    Measure(Measure),
    /// Proves the bench on a resistor network of known value.
    Verify(Verify),
    /// Serves a simulated bench with a sample in it, in real time, until it is stopped.
    Simulate(Simulate),
    /// Serves benches to people and programs over HTTP, until it is stopped.
    Serve(Serve),
    /// Tokens of a daemon, on its machine.
    Token(Token),
    /// Allows a daemon to energise a bench: by the person at the bench, on the daemon's machine.
    Release(BenchRelease),
    /// Verifies the audit record of a daemon, on its machine.
    Audit {
        #[command(flatten)]
        document: DaemonDocument,
    },
    /// Asks a daemon for the plan of documents on its machine.
    Plan(RemotePlan),
    /// Starts a run on a daemon.
    Start(RemoteStart),
    /// Follows a bench of a daemon.
    Watch {
        #[command(flatten)]
        remote: Remote,
        /// Go on after this event, RUN.SEQUENCE; otherwise from now on.
        #[arg(long, value_name = "ID")]
        after: Option<String>,
    },
    /// Stops the run of a bench of a daemon, and stands the bench down.
    Stop {
        #[command(flatten)]
        remote: Remote,
    },
    /// Lets the run of a bench of a daemon pause after its round, bench at rest.
    Pause {
        #[command(flatten)]
        remote: Remote,
    },
    /// Goes on with a run of a daemon that was paused or interrupted.
    Resume {
        /// Number of the run.
        #[arg(value_name = "RUN")]
        run: i64,
        #[command(flatten)]
        remote: Remote,
    },
    /// Fetches the readings of a run from a daemon as a table.
    Fetch {
        /// Number of the run.
        #[arg(value_name = "RUN")]
        run: i64,
        #[command(flatten)]
        remote: Remote,
    },
    /// Reduces a table of readings taken anywhere.
    Reduce {
        /// The sample document (its thickness is what counts).
        #[arg(long, value_name = "FILE")]
        sample: PathBuf,
        /// The table: time_s,temperature_k,field_t,source_in,source_out,sense_high,sense_low,current_a,voltage_v.
        #[arg(value_name = "READINGS.csv")]
        readings: PathBuf,
        #[command(flatten)]
        table: ResultsTable,
    },
    /// The readings of an earlier run as a table.
    Export(Export),
    /// The runs of a journal.
    Runs {
        #[command(flatten)]
        journal: JournalPath,
    },
}

/// Results for a spreadsheet or a data frame.
#[derive(Args, Clone, Debug)]
pub(crate) struct ResultsTable {
    /// Writes the results over temperature and field into this file: as JSON where its name ends in .json, or else as CSV.
    #[arg(long, value_name = "FILE")]
    pub(crate) table: Option<PathBuf>,
}

/// Where runs are kept.
#[derive(Args, Clone, Debug)]
pub(crate) struct JournalPath {
    /// The journal.
    #[arg(long, value_name = "FILE", default_value = "quadrille.sqlite")]
    pub(crate) journal: PathBuf,
}

#[derive(Args, Debug)]
pub(crate) struct Demo {
    /// Where to leave journal, documents and tables.
    #[arg(long, value_name = "FOLDER", default_value = "quadrille-demo")]
    pub(crate) folder: PathBuf,
}

/// What a simulated bench may lack, to see what comes of it.
#[derive(Args, Clone, Debug, Default)]
pub(crate) struct Lacking {
    /// The guard line is broken: driving it changes nothing.
    #[arg(long)]
    pub(crate) without_guard: bool,
    /// The relay of the buffers changes nothing.
    #[arg(long)]
    pub(crate) without_buffers: bool,
    /// Seed of everything that is drawn, instead of the bench document's.
    #[arg(long, value_name = "N")]
    pub(crate) seed: Option<u64>,
}

#[derive(Args, Debug)]
pub(crate) struct Documents {
    /// The bench document.
    #[arg(long, value_name = "FILE")]
    pub(crate) bench: PathBuf,
    /// The sample document; given again for each further sample on the matrix.
    #[arg(long = "sample", value_name = "FILE", required = true)]
    pub(crate) samples: Vec<PathBuf>,
    /// The recipe document.
    #[arg(long, value_name = "FILE")]
    pub(crate) recipe: PathBuf,
}

#[derive(Args, Debug)]
pub(crate) struct Rehearse {
    #[command(flatten)]
    pub(crate) documents: Documents,
    #[command(flatten)]
    pub(crate) lacking: Lacking,
    #[command(flatten)]
    pub(crate) table: ResultsTable,
    /// Writes the readings into this file, as `export` writes those of a run.
    #[arg(long, value_name = "FILE")]
    pub(crate) readings: Option<PathBuf>,
}

/// Leave to energise.
#[derive(Args, Clone, Copy, Debug)]
pub(crate) struct Release {
    /// I am at the bench and release it for this run up to so many volts (needed above 60 V dc).
    #[arg(long, value_name = "VOLTS")]
    pub(crate) release_v: Option<f64>,
}

#[derive(Args, Debug)]
pub(crate) struct Measure {
    #[command(flatten)]
    pub(crate) documents: Documents,
    #[command(flatten)]
    pub(crate) journal: JournalPath,
    #[command(flatten)]
    pub(crate) release: Release,
    #[command(flatten)]
    pub(crate) table: ResultsTable,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(crate) enum OnOff {
    On,
    Off,
    ByResistance,
}

impl From<OnOff> for Switch {
    fn from(state: OnOff) -> Self {
        match state {
            OnOff::On => Self::On,
            OnOff::Off => Self::Off,
            OnOff::ByResistance => Self::ByResistance,
        }
    }
}

#[derive(Args, Debug)]
pub(crate) struct Verify {
    /// The bench document.
    #[arg(long, value_name = "FILE")]
    pub(crate) bench: PathBuf,
    /// The sample document of the standard: a network of resistors.
    #[arg(long, value_name = "FILE")]
    pub(crate) sample: PathBuf,
    /// The guard.
    #[arg(long, value_enum, default_value = "by-resistance")]
    pub(crate) guard: OnOff,
    /// The buffers.
    #[arg(long, value_enum, default_value = "by-resistance")]
    pub(crate) buffers: OnOff,
    /// Read all 36 configurations even where the eight of the standards agree: shows what they cannot, and takes more than
    /// four times as long.
    #[arg(long, conflicts_with = "eight")]
    pub(crate) thorough: bool,
    /// Read only the eight configurations of the standards, even where they disagree: says which, and not why.
    #[arg(long)]
    pub(crate) eight: bool,
    #[command(flatten)]
    pub(crate) journal: JournalPath,
}

#[derive(Args, Debug)]
pub(crate) struct Simulate {
    /// The bench document. An instrument on a serial line is served on a pseudo-terminal.
    #[arg(long, value_name = "FILE")]
    pub(crate) bench: PathBuf,
    /// The sample document, which needs a model; given again for each further sample on the matrix.
    #[arg(long = "sample", value_name = "FILE", required = true)]
    pub(crate) samples: Vec<PathBuf>,
    /// Listen here instead of at the document's ports: this port and those after it, or free ones from port 0.
    #[arg(long, value_name = "ADDR", value_parser = listen)]
    pub(crate) listen: Option<SocketAddr>,
    /// Listen here for what to do to the bench (127.0.0.1:0 takes a free port): `help` there, or on standard input, lists
    /// the words.
    #[arg(long, value_name = "ADDR", value_parser = control)]
    pub(crate) control: Option<SocketAddr>,
    /// Let faults strike that are drawn from this seed.
    #[arg(long, value_name = "SEED")]
    pub(crate) faults: Option<u64>,
    /// How many of them strike a minute, on average.
    #[arg(long, value_name = "RATE", default_value_t = 2.0, requires = "faults", value_parser = rate)]
    pub(crate) faults_per_minute: f64,
    /// Field at the sample, in teslas, until a line `field B` on standard input changes it.
    #[arg(long, value_name = "B", default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) field_t: f64,
    /// Write a copy of the bench document with the resources where the devices are served.
    #[arg(long, value_name = "FILE")]
    pub(crate) bench_out: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) lacking: Lacking,
}

/// Which daemon's folder.
#[derive(Args, Clone, Debug)]
pub(crate) struct DaemonDocument {
    /// The daemon's document.
    #[arg(long, value_name = "FILE", default_value = "daemon.toml")]
    pub(crate) config: PathBuf,
}

/// A bench of a daemon.
#[derive(Args, Clone, Debug)]
pub(crate) struct Remote {
    /// The daemon's address, as in http://127.0.0.1:8760.
    #[arg(long, value_name = "URL")]
    pub(crate) daemon: String,
    /// Name of the bench there.
    #[arg(long, value_name = "NAME")]
    pub(crate) bench: String,
    /// File with the token, which only you may read.
    #[arg(long, value_name = "FILE")]
    pub(crate) token_file: Option<PathBuf>,
    /// Certificate to trust instead of those of the web, in PEM.
    #[arg(long, value_name = "FILE")]
    pub(crate) ca: Option<PathBuf>,
}

#[derive(Args, Debug)]
pub(crate) struct RemotePlan {
    #[command(flatten)]
    pub(crate) remote: Remote,
    /// Name of a sample document there; given again for each further sample on the matrix.
    #[arg(long = "sample", value_name = "NAME", required = true)]
    pub(crate) samples: Vec<String>,
    /// Name of a recipe document there.
    #[arg(long, value_name = "NAME")]
    pub(crate) recipe: String,
}

#[derive(Args, Debug)]
pub(crate) struct RemoteStart {
    #[command(flatten)]
    pub(crate) what: RemotePlan,
    /// Hash of the plan that you looked at, as `plan` shows it.
    #[arg(long, value_name = "SHA256")]
    pub(crate) plan: String,
    /// Wait for the runs before it.
    #[arg(long)]
    pub(crate) queue: bool,
    /// Key of this start: sent again with the same one, it starts nothing more [default: a new one].
    #[arg(long, value_name = "TEXT")]
    pub(crate) key: Option<String>,
}

#[derive(Args, Debug)]
pub(crate) struct Token {
    #[command(subcommand)]
    pub(crate) what: TokenCommand,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(crate) enum TokenRight {
    Look,
    Operate,
    Maintain,
}

#[derive(Debug, Subcommand)]
pub(crate) enum TokenCommand {
    /// Makes a token and shows its secret, once.
    Add {
        /// Whose it is.
        #[arg(value_name = "NAME")]
        name: String,
        /// What it allows; given again for each. To operate or to maintain is also to look.
        #[arg(long = "right", value_enum, required = true)]
        rights: Vec<TokenRight>,
        /// For how many days.
        #[arg(long, value_name = "DAYS", default_value_t = 90, value_parser = clap::value_parser!(u16).range(1..=3660))]
        days: u16,
        #[command(flatten)]
        document: DaemonDocument,
    },
    /// The tokens, without their secrets.
    List {
        #[command(flatten)]
        document: DaemonDocument,
    },
    /// Takes a token back.
    Revoke {
        /// Whose it is.
        #[arg(value_name = "NAME")]
        name: String,
        #[command(flatten)]
        document: DaemonDocument,
    },
}

#[derive(Args, Debug)]
pub(crate) struct BenchRelease {
    /// Name of the bench in the daemon's document.
    #[arg(value_name = "BENCH")]
    pub(crate) bench: String,
    /// Up to this voltage.
    #[arg(long, value_name = "VOLTS", required_unless_present = "withdraw")]
    pub(crate) up_to_v: Option<f64>,
    /// For so many hours.
    #[arg(long, value_name = "HOURS", required_unless_present = "withdraw")]
    pub(crate) hours: Option<f64>,
    /// Your name, for the audit record.
    #[arg(long, value_name = "NAME")]
    pub(crate) by: String,
    /// Take it back: a run that needs it stops and stands down.
    #[arg(long, conflicts_with_all = ["up_to_v", "hours"])]
    pub(crate) withdraw: bool,
    #[command(flatten)]
    pub(crate) document: DaemonDocument,
}

#[derive(Args, Debug)]
pub(crate) struct Serve {
    #[command(flatten)]
    pub(crate) document: DaemonDocument,
}

/// An address with a port, or without one: then free ports.
fn listen(text: &str) -> Result<SocketAddr, String> {
    let text = text.replace("localhost", "127.0.0.1");
    text.parse()
        .or_else(|_| text.parse().map(|ip| SocketAddr::new(ip, 0)))
        .map_err(|_| "write an address and a port, as in 127.0.0.1:0".to_owned())
}

/// An address of this machine with a port.
fn control(text: &str) -> Result<SocketAddr, String> {
    let text = text.replace("localhost", "127.0.0.1");
    let text = if text.starts_with(':') { format!("127.0.0.1{text}") } else { text };
    let address: SocketAddr =
        text.parse().map_err(|_| "write an address and a port, as in 127.0.0.1:0".to_owned())?;
    if address.ip().is_loopback() {
        return Ok(address);
    }
    Err("a control socket is for this machine alone, as anybody who reaches it may break the bench; write 127.0.0.1"
        .to_owned())
}

/// Faults a minute.
fn rate(text: &str) -> Result<f64, String> {
    let rate = text.parse().ok().filter(|rate| (0.001..=6000.0).contains(rate));
    rate.ok_or_else(|| "write how many faults strike a minute, from 0.001 to 6000".to_owned())
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(crate) enum Format {
    Csv,
}

#[derive(Args, Debug)]
pub(crate) struct Export {
    /// Number of the run, as `runs` lists it.
    #[arg(value_name = "RUN")]
    pub(crate) run: i64,
    /// Form of the table.
    #[arg(long, value_enum, default_value = "csv")]
    pub(crate) format: Format,
    #[command(flatten)]
    pub(crate) journal: JournalPath,
}
