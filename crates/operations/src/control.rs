//! What a person, or a script, may tell a simulated bench: the words, and a socket of this machine on which they are
//! understood. Each line is answered by a block of lines that ends with `ok` or `error: …`.

use crate::{Error, Simulation};
use quadrille_bench::ArmedFault;
use quadrille_quantity::{Kelvin, Tesla};
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::sync::Arc;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;

/// Longest line that is understood, in bytes. Ours.
const LONGEST: usize = 1000;

/// Clients at a time. Ours: a person and some scripts.
const MOST_CLIENTS: usize = 16;

const WORDS: &str = "\
help                 these words
list                 every fault of this bench
faults               the faults in force
inject FAULT         puts a fault in force: INSTRUMENT WHAT [HOW MUCH] [once [after N] | until cleared | for S]
clear                ends every fault
field B              sets the field at the sample, in teslas
temperature K        sets the temperature of the sample, in kelvins
complaints           what the bench complained of
status               time, surroundings of the sample, output, faults and complaints
quit                 ends the conversation
";

/// What a line is answered with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reply {
    /// Lines for a person, each with its newline.
    pub text: String,
    /// Whether it was done; otherwise why not, in one line.
    pub outcome: Result<(), String>,
    /// Whether the conversation is over.
    pub is_over: bool,
}

impl Reply {
    fn told(text: impl Into<String>) -> Self {
        Self { text: text.into(), outcome: Ok(()), is_over: false }
    }

    fn refused(why: impl Into<String>) -> Self {
        // One line, whatever was quoted in it.
        let why: String = why.into().chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect();
        Self { text: String::new(), outcome: Err(why), is_over: false }
    }

    /// The block that is sent.
    pub fn block(&self) -> String {
        match &self.outcome {
            Ok(()) => format!("{}ok\n", self.text),
            Err(why) => format!("{}error: {why}\n", self.text),
        }
    }
}

/// Does what a line says to a simulated bench.
pub fn command(simulation: &Simulation, line: &str) -> Reply {
    let line = line.trim();
    let (word, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
    let rest = rest.trim();
    match (word, rest.is_empty()) {
        ("help", true) => Reply::told(WORDS),
        ("list", true) => {
            let forms = simulation.fault_forms();
            Reply::told(forms.iter().map(|(form, what)| format!("{form:<32}  {what}\n")).collect::<String>())
        }
        ("faults", true) => Reply::told(simulation.faults().iter().map(armed).collect::<String>()),
        ("inject", _) => match simulation.inject(rest) {
            Ok(fault) => Reply::told(format!("in force: {fault}\n")),
            Err(error) => Reply::refused(error.to_string()),
        },
        ("clear", true) => Reply::told(format!("cleared: {}\n", simulation.clear_faults())),
        ("field", _) => number(rest, "field", "teslas", "-0.5", |field| {
            simulation.set_field(Tesla(field)).map(|()| format!("field: {}\n", Tesla(field)))
        }),
        ("temperature", _) => number(rest, "temperature", "kelvins", "295", |kelvin| {
            simulation.set_temperature(Kelvin(kelvin)).map(|()| format!("temperature: {}\n", Kelvin(kelvin)))
        }),
        ("complaints", true) => Reply::told(
            simulation.complaints().iter().map(|complaint| format!("{complaint}\n")).collect::<String>(),
        ),
        ("status", true) => Reply::told(status(simulation)),
        ("quit", true) => Reply { is_over: true, ..Reply::told("") },
        _ => Reply::refused(format!("\"{}\" is not understood; help lists the words", short(line))),
    }
}

fn number(
    text: &str,
    what: &str,
    unit: &str,
    example: &str,
    set: impl FnOnce(f64) -> Result<String, Error>,
) -> Reply {
    let Ok(number) = text.parse() else {
        let text = short(text);
        return Reply::refused(format!("\"{text}\" is no {what}: write {unit}, as in: {what} {example}"));
    };
    match set(number) {
        Ok(told) => Reply::told(told),
        Err(error) => Reply::refused(error.to_string()),
    }
}

fn armed(armed: &ArmedFault) -> String {
    format!("{}; since {:.3} s; struck {} times\n", armed.fault, armed.since_s, armed.struck)
}

fn status(simulation: &Simulation) -> String {
    let mut text = String::new();
    // Writing into a text cannot fail.
    let _ = writeln!(text, "time: {:.3} s", simulation.now_s());
    let (temperature, field) = simulation.surroundings();
    let _ = writeln!(text, "sample: at {temperature}, in {field}");
    let _ =
        writeln!(text, "output: {}", if simulation.is_energised() { "current is on" } else { "no current" });
    let _ = writeln!(text, "faults in force: {}", simulation.faults().len());
    let _ = writeln!(text, "complaints: {}", simulation.complaints().len());
    text
}

/// So much of a text as an answer may quote.
fn short(text: &str) -> String {
    let mut short: String = text.chars().take(40).collect();
    if short.len() < text.len() {
        short.push('…');
    }
    short
}

/// A socket of this machine on which a simulated bench is told what to do, for as long as this lives.
pub struct Control {
    /// Where it listens.
    pub address: SocketAddr,
    task: tokio::task::JoinHandle<()>,
}

impl Drop for Control {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Control {
    /// Listens; port 0 takes a free one. Refused beyond this machine: whoever can talk to it can falsify a bench.
    pub async fn listen(simulation: &Simulation, address: SocketAddr) -> Result<Self, Error> {
        if !address.ip().is_loopback() {
            let why =
                "a control socket is for this machine alone, as anybody who reaches it may break the bench";
            return Err(Error::Simulation(format!("{address}: {why}; listen at 127.0.0.1")));
        }
        let failed = |error| Error::Simulation(format!("cannot listen for control at {address}: {error}"));
        let listener = TcpListener::bind(address).await.map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        let task = tokio::spawn(serve(simulation.clone(), listener));
        Ok(Self { address, task })
    }
}

async fn serve(simulation: Simulation, listener: TcpListener) {
    let places = Arc::new(Semaphore::new(MOST_CLIENTS));
    let mut talks = tokio::task::JoinSet::new();
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            Some(_) = talks.join_next() => continue,
        };
        let Ok((stream, _)) = accepted else {
            // No handle is free, for one: others may become free.
            tokio::time::sleep(std::time::Duration::from_millis(100)).await;
            continue;
        };
        let Ok(place) = Arc::clone(&places).try_acquire_owned() else {
            // Told if the socket takes it at once, dropped in any case.
            let _ =
                stream.try_write(format!("error: {MOST_CLIENTS} clients are talking already\n").as_bytes());
            continue;
        };
        let simulation = simulation.clone();
        talks.spawn(async move {
            let _place = place;
            talk(&simulation, stream).await;
        });
    }
}

async fn talk(simulation: &Simulation, mut stream: TcpStream) {
    let mut lines = Lines::default();
    while let Some(line) = lines.next(&mut stream).await {
        let reply = match line {
            Ok(line) if line.trim().is_empty() => continue,
            // A browser that a web page sends here says so; what it sends after its headers must not be done.
            Ok(line) if line.contains(" HTTP/") => {
                Reply { is_over: true, ..Reply::refused("this is no web server") }
            }
            Ok(line) => command(simulation, &line),
            Err(why) => Reply::refused(why),
        };
        if stream.write_all(reply.block().as_bytes()).await.is_err() || reply.is_over {
            return;
        }
    }
}

/// Lines of a client, never more of one in memory than may be in it.
#[derive(Default)]
struct Lines {
    received: Vec<u8>,
    is_too_long: bool,
}

impl Lines {
    /// The next line, or why it is none; `None` at the end.
    async fn next(&mut self, stream: &mut (impl AsyncRead + Unpin)) -> Option<Result<String, String>> {
        loop {
            if let Some(end) = self.received.iter().position(|&byte| byte == b'\n') {
                let line: Vec<u8> = self.received.drain(..=end).collect();
                let is_too_long = std::mem::take(&mut self.is_too_long) || line.len() > LONGEST;
                if is_too_long {
                    return Some(Err(format!("a line is longer than {LONGEST} bytes")));
                }
                return Some(String::from_utf8(line).map_err(|_| "a line is no text".to_owned()));
            }
            if self.received.len() > LONGEST {
                self.is_too_long = true;
                self.received.clear();
            }
            let mut bytes = [0; 1024];
            match stream.read(&mut bytes).await {
                Ok(count @ 1..) => self.received.extend_from_slice(&bytes[..count]),
                _ => return None,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn lines_come_whole_and_what_is_no_line_is_told_once() {
        let mut sent: &[u8] =
            &[b"one\r\ntw\xc3\xb6\n".as_slice(), &[b'x'; 5000], b"\n\xff\xfe\nlast\nhalf"].concat();
        let mut lines = Lines::default();
        let mut next = async || lines.next(&mut sent).await;
        assert_eq!(next().await, Some(Ok("one\r\n".to_owned())));
        assert_eq!(next().await, Some(Ok("twö\n".to_owned())));
        assert!(next().await.unwrap().unwrap_err().contains("longer"));
        assert!(next().await.unwrap().unwrap_err().contains("no text"));
        assert_eq!(next().await, Some(Ok("last\n".to_owned())));
        assert_eq!(next().await, None);
    }

    #[test]
    fn a_refusal_is_one_line_whatever_it_quotes() {
        let reply = Reply::refused("\"a\nok\r\n\u{1b}\" is not understood");
        assert_eq!(reply.block().lines().count(), 1);
        assert!(reply.block().starts_with("error: "));
    }
}
