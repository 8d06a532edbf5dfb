//! VISA resource strings (VPP-4.3, from memory) of the transports that are carried.

use std::fmt;
use std::str::FromStr;

/// Where an instrument is reached.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Resource {
    /// `TCPIP[board]::host::port::SOCKET`: a raw socket.
    Socket {
        /// Name or address of the host; an IPv6 address without its brackets.
        host: String,
        /// Port, from 1.
        port: u16,
    },
    /// `ASRL<path or number>[::INSTR]`: a serial line.
    Serial {
        /// Path of the device.
        path: String,
    },
}

/// Why a text is no resource string that can be opened.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "\"{text}\" {problem}; write it as in \"TCPIP::192.0.2.7::5025::SOCKET\" or \"ASRL/dev/ttyUSB0::INSTR\""
)]
pub struct ResourceError {
    /// What was given.
    pub text: String,
    /// What is wrong with it.
    pub problem: String,
}

impl FromStr for Resource {
    type Err = ResourceError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        parse(text).map_err(|problem| ResourceError { text: text.to_owned(), problem })
    }
}

impl fmt::Display for Resource {
    /// In canonical form, defaults filled in.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Socket { host, port } if host.contains(':') => {
                write!(f, "TCPIP0::[{host}]::{port}::SOCKET")
            }
            Self::Socket { host, port } => write!(f, "TCPIP0::{host}::{port}::SOCKET"),
            Self::Serial { path } => write!(f, "ASRL{path}::INSTR"),
        }
    }
}

fn parse(text: &str) -> Result<Resource, String> {
    let text = text.trim();
    if text.chars().any(|c| c.is_control() || c.is_whitespace()) {
        return Err("has white space or control characters in it".into());
    }
    let parts = parts(text)?;
    let head = parts[0].to_ascii_uppercase();
    if let Some(board) = head.strip_prefix("TCPIP") {
        check_board(board)?;
        return socket(&parts);
    }
    if head.starts_with("ASRL") {
        return serial(&parts);
    }
    let known = ["GPIB", "USB", "VXI", "PXI"].iter().find(|kind| head.starts_with(**kind));
    Err(match known {
        Some(kind) => format!("is a {kind} resource, which is not carried: raw sockets and serial lines are"),
        None => "does not begin with TCPIP or ASRL".into(),
    })
}

/// Splits at `::` outside brackets.
fn parts(text: &str) -> Result<Vec<&str>, String> {
    let mut parts = Vec::new();
    let (mut start, mut depth, bytes) = (0, 0usize, text.as_bytes());
    let mut at = 0;
    while at < bytes.len() {
        match bytes[at] {
            b'[' => depth += 1,
            b']' => depth = depth.checked_sub(1).ok_or("has a bracket that was not opened")?,
            b':' if depth == 0 && bytes.get(at + 1) == Some(&b':') => {
                parts.push(&text[start..at]);
                at += 2;
                start = at;
                continue;
            }
            _ => {}
        }
        at += 1;
    }
    if depth > 0 {
        return Err("has a bracket that is not closed".into());
    }
    parts.push(&text[start..]);
    if parts[1..].iter().any(|part| part.is_empty()) {
        return Err("has an empty part between its colons".into());
    }
    Ok(parts)
}

fn check_board(board: &str) -> Result<(), String> {
    let right = board.len() <= 4 && board.bytes().all(|byte| byte.is_ascii_digit());
    if right { Ok(()) } else { Err(format!("has \"{board}\" where the number of a board may stand")) }
}

fn socket(parts: &[&str]) -> Result<Resource, String> {
    let [_, host, port, class] = parts else {
        let is_instr =
            parts.len() < 4 || parts.last().is_some_and(|class| class.eq_ignore_ascii_case("INSTR"));
        return Err(if is_instr {
            "is not a raw socket: host, port and the word SOCKET are needed; other TCPIP protocols are not carried".into()
        } else {
            "has more parts than TCPIP, host, port, SOCKET".into()
        });
    };
    if !class.eq_ignore_ascii_case("SOCKET") {
        return Err(format!("ends in \"{class}\": of the TCPIP resources only SOCKET is carried"));
    }
    let host = match host.strip_prefix('[').and_then(|host| host.strip_suffix(']')) {
        Some(inside) if inside.parse::<std::net::Ipv6Addr>().is_ok() => inside,
        Some(inside) => return Err(format!("has \"{inside}\" in brackets, which is no IPv6 address")),
        None => host,
    };
    if host.contains(['@', '/', '[', ']', ',', '"', '\'']) {
        return Err(format!("has a host \"{host}\" with a character that no host name has"));
    }
    let port = port.parse().ok().filter(|port| *port > 0 && !parts[2].starts_with('+'));
    let port = port.ok_or_else(|| format!("has \"{}\" where a port from 1 to 65535 should be", parts[2]))?;
    Ok(Resource::Socket { host: host.to_owned(), port })
}

fn serial(parts: &[&str]) -> Result<Resource, String> {
    if parts.len() > 2 || parts.get(1).is_some_and(|class| !class.eq_ignore_ascii_case("INSTR")) {
        return Err("has more than ASRL, a path or number, and INSTR".into());
    }
    let line = &parts[0]["ASRL".len()..];
    if line.starts_with('/') && !line.ends_with('/') {
        return Ok(Resource::Serial { path: line.to_owned() });
    }
    // ASRL1 is the first serial line (common practice, no source).
    match line.parse::<u16>() {
        Ok(number @ 1..) if line.bytes().all(|byte| byte.is_ascii_digit()) => {
            Ok(Resource::Serial { path: format!("/dev/ttyS{}", number - 1) })
        }
        _ => Err(format!("has \"{line}\" where the path of a device or a number from 1 should be")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(text: &str, canonical: &str) {
        assert_eq!(text.parse::<Resource>().unwrap().to_string(), canonical);
    }

    #[test]
    fn resources_are_read_in_any_case_and_written_canonically() {
        check("TCPIP::192.0.2.7::5025::SOCKET", "TCPIP0::192.0.2.7::5025::SOCKET");
        check(" tcpip0::bench-3.example::1234::socket ", "TCPIP0::bench-3.example::1234::SOCKET");
        check("TCPIP1::[fe80::1]::5025::SOCKET", "TCPIP0::[fe80::1]::5025::SOCKET");
        check("ASRL/dev/ttyUSB0::INSTR", "ASRL/dev/ttyUSB0::INSTR");
        check("asrl/dev/pts/3", "ASRL/dev/pts/3::INSTR");
        check("ASRL2::INSTR", "ASRL/dev/ttyS1::INSTR");
    }

    #[track_caller]
    fn refuse(text: &str, reason: &str) {
        let error = text.parse::<Resource>().unwrap_err().to_string();
        assert!(error.contains(reason), "{error}");
        assert!(error.contains("TCPIP::192.0.2.7::5025::SOCKET"), "{error}");
    }

    #[test]
    fn what_is_malformed_is_told_part_by_part() {
        refuse("", "does not begin with TCPIP or ASRL");
        refuse("192.0.2.7:5025", "does not begin with TCPIP or ASRL");
        refuse("TCPIP::192.0.2.7", "host, port and the word SOCKET are needed");
        refuse("TCPIP::192.0.2.7::inst0::INSTR", "only SOCKET is carried");
        refuse("TCPIP::192.0.2.7::0::SOCKET", "port from 1 to 65535");
        refuse("TCPIP::192.0.2.7::70000::SOCKET", "port from 1 to 65535");
        refuse("TCPIP::::5025::SOCKET", "empty part");
        refuse("TCPIP::fe80::1::5025::SOCKET", "more parts");
        refuse("TCPIP::[fe80::1::5025::SOCKET", "not closed");
        refuse("TCPIP::[fe80]::5025::SOCKET", "no IPv6 address");
        refuse("TCPIP::key@192.0.2.7::5025::SOCKET", "no host name has");
        refuse("TCPIPx::192.0.2.7::5025::SOCKET", "number of a board");
        refuse("ASRL::INSTR", "path of a device or a number");
        refuse("ASRL0::INSTR", "path of a device or a number");
        refuse("ASRL/dev/ttyS0::SOCKET", "more than ASRL");
        refuse("GPIB0::12::INSTR", "is a GPIB resource, which is not carried");
        refuse("TCPIP::192.0.2.7::50 25::SOCKET", "white space");
    }

    proptest::proptest! {
        #[test]
        fn no_text_makes_the_reader_panic(text in "(?s).{0,60}") {
            let _ = text.parse::<Resource>();
        }

        #[test]
        fn canonical_forms_read_back(text in "(TCPIP|ASRL)[0-9]?(::)?[a-z0-9/.\\[\\]]{0,12}::[0-9]{1,5}::(SOCKET|INSTR)") {
            if let Ok(resource) = text.parse::<Resource>() {
                proptest::prop_assert_eq!(resource.to_string().parse::<Resource>(), Ok(resource));
            }
        }
    }
}
