//! Answers written and joined into one response message (IEEE 488.2, 8).

/// The answers of one program message.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Response {
    bytes: Vec<u8>,
    answers: usize,
}

impl Response {
    /// No answer yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds an answer, which may hold several data joined by commas.
    pub fn push(&mut self, answer: impl AsRef<[u8]>) {
        if self.answers > 0 {
            self.bytes.push(b';');
        }
        self.bytes.extend_from_slice(answer.as_ref());
        self.answers += 1;
    }

    /// Whether there is nothing to send.
    pub fn is_empty(&self) -> bool {
        self.answers == 0
    }

    /// The message with its newline, if anything was answered.
    pub fn finish(mut self) -> Option<Vec<u8>> {
        if self.answers == 0 {
            return None;
        }
        self.bytes.push(b'\n');
        Some(self.bytes)
    }
}

/// NR1 (IEEE 488.2, 8.7.2).
pub fn integer(value: i64) -> String {
    value.to_string()
}

/// NR3 (IEEE 488.2, 8.7.4) with as many digits as the value needs; 9.91E37 and ±9.9E37 for what is not finite
/// (SCPI-1999 volume 1, 7.2.1).
pub fn real(value: f64) -> String {
    floating(value, format!("{value:E}"))
}

/// NR3 with a number of digits after the point, as an instrument of limited resolution sends it.
pub fn real_with_decimals(value: f64, decimals: usize) -> String {
    floating(value, format!("{value:.decimals$E}"))
}

/// `0` or `1`.
pub fn boolean(value: bool) -> String {
    if value { "1" } else { "0" }.to_owned()
}

/// String data: double quotes around it, those in it doubled (IEEE 488.2, 8.7.8).
pub fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('"', "\"\""))
}

/// A definite-length block (IEEE 488.2, 8.7.9).
pub fn block(data: &[u8]) -> Vec<u8> {
    let length = data.len().to_string();
    let mut bytes = format!("#{}{length}", length.len()).into_bytes();
    bytes.extend_from_slice(data);
    bytes
}

fn floating(value: f64, written: String) -> String {
    if value.is_nan() {
        return "9.91E+37".to_owned();
    }
    if value.is_infinite() {
        return if value > 0.0 { "9.9E+37" } else { "-9.9E+37" }.to_owned();
    }
    let (mantissa, exponent) = written.split_once('E').unwrap_or((&written, "0"));
    let point = if mantissa.contains('.') { "" } else { ".0" };
    let (sign, digits) = match exponent.strip_prefix('-') {
        Some(digits) => ('-', digits),
        None => ('+', exponent),
    };
    format!("{mantissa}{point}E{sign}{digits:0>2}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_joined_by_semicolons_and_end_with_a_newline() {
        let mut response = Response::new();
        assert_eq!(response.clone().finish(), None);
        response.push("1");
        response.push(quoted("a \"b\""));
        response.push(block(b"x\ny"));
        assert_eq!(response.finish().unwrap(), b"1;\"a \"\"b\"\"\";#13x\ny\n");
    }

    #[test]
    fn an_empty_string_is_an_answer() {
        let mut response = Response::new();
        response.push("");
        assert!(!response.is_empty());
        assert_eq!(response.finish().unwrap(), b"\n");
    }

    // Forms of IEEE 488.2, 8.7.2 and 8.7.4; from memory.
    #[test]
    fn numbers_have_the_forms_of_the_standard() {
        assert_eq!(integer(-17), "-17");
        assert_eq!(real(0.0001), "1.0E-04");
        assert_eq!(real(-2.5e-3), "-2.5E-03");
        assert_eq!(real(0.0), "0.0E+00");
        assert_eq!(real(1e100), "1.0E+100");
        assert_eq!(real(f64::NAN), "9.91E+37");
        assert_eq!(real(f64::INFINITY), "9.9E+37");
        assert_eq!(real(f64::NEG_INFINITY), "-9.9E+37");
        assert_eq!(real_with_decimals(1.23456789e-4, 6), "1.234568E-04");
        assert_eq!(boolean(true) + &boolean(false), "10");
    }
}
