//! The program: command line, terminal, exit codes. No logic of its own.

mod args;
mod commands;
mod exit;
mod field;
mod json;
mod progress;
mod proof;
mod signals;
mod text;

use args::{Arguments, Command};
use clap::Parser;
use exit::Exit;
use std::io::Write;
use std::process::ExitCode;
use tracing_subscriber::EnvFilter;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    logs(&arguments.command);
    let exit = match run(&arguments) {
        Ok((exit, shown)) => {
            print(&if arguments.json { shown.json_line() } else { shown.text });
            exit
        }
        Err(error) => failed(&error, arguments.json),
    };
    exit.into()
}

/// Logs go to standard error; `QUADRILLE_LOG` says which (`warn` unless told otherwise, of a daemon `info`; `trace` for every
/// message). A daemon's are JSON, one object a line: a program reads them before a person does.
fn logs(command: &Command) {
    let is_daemon = matches!(command, Command::Serve(_));
    let usual = if is_daemon { "info" } else { "warn" };
    let filter = EnvFilter::try_from_env("QUADRILLE_LOG").unwrap_or_else(|_| EnvFilter::new(usual));
    let builder = tracing_subscriber::fmt().with_env_filter(filter).with_writer(|| Forgiving);
    let builder = builder.with_ansi(false).with_target(false);
    if is_daemon {
        builder.json().flatten_event(true).init();
    } else {
        builder.init();
    }
}

/// Standard error that nobody reads any more takes everything: a log is no reason to leave an output on.
struct Forgiving;

impl Write for Forgiving {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let _ = std::io::stderr().write_all(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

fn run(arguments: &Arguments) -> anyhow::Result<(Exit, commands::Shown)> {
    use commands::{daemon, demo, documents, records, remote, runs, simulate};
    match &arguments.command {
        Command::Demo(options) => demo::demo(options, arguments.quiet),
        Command::Check { documents } => documents::check(documents),
        Command::Predict { sample, field_t, temperature_k, tolerance } => {
            documents::predict(sample, *field_t, *temperature_k, *tolerance)
        }
        Command::Rehearse(options) => runs::rehearse(options),
        Command::Measure(options) => runs::measure(options, arguments.quiet),
        Command::Verify(options) => runs::verify(options, arguments.quiet),
        Command::Serve(options) => daemon::serve(options, arguments.json),
        Command::Token(options) => daemon::token(&options.what),
        Command::Release(options) => daemon::release(options),
        Command::Audit { document } => daemon::audit(document),
        Command::Plan(options) => remote::plan(options),
        Command::Start(options) => remote::start(options),
        Command::Watch { remote, after } => remote::watch(remote, after.as_deref(), arguments.json),
        Command::Stop { remote } => remote::stop(remote),
        Command::Pause { remote } => remote::pause(remote),
        Command::Resume { run, remote } => remote::resume(remote, *run),
        Command::Fetch { run, remote } => remote::fetch(remote, *run),
        Command::Simulate(options) => simulate::simulate(options, arguments.json),
        Command::Reduce { sample, readings, table } => documents::reduce(sample, readings, table),
        Command::Export(options) => records::export(options),
        Command::Runs { journal } => records::runs(journal),
    }
}

/// Says what went wrong, for a person on standard error and with `--json` for a program on standard output too.
fn failed(error: &anyhow::Error, json: bool) -> Exit {
    let exit = Exit::of(error);
    complain(&format!("{error:#}"));
    if json {
        print(&commands::Shown::failure(error).json_line());
    }
    exit
}

/// A reader that went away is no reason to panic.
fn print(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(text.as_bytes()).and_then(|()| out.flush());
}

fn complain(text: &str) {
    let mut err = std::io::stderr().lock();
    let _ = writeln!(err, "{text}");
}
