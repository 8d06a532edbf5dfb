//! Who a virtual instrument says it is. A bench document of real instruments expects theirs, or a rehearsal would end
//! there.

/// What an instrument answers to `*IDN?`: its own name where that fits the pattern of the bench document; else what the
/// document expects, with its own name in place of the last `*`, so that a record says what was virtual.
pub(crate) fn named(pattern: Option<&str>, native: String) -> String {
    match pattern {
        Some(pattern) if !fits(pattern, &native) => {
            let (head, tail) = pattern.rsplit_once('*').unwrap_or((pattern, ""));
            let stand_in = if pattern.contains('*') { format!(" ({native})") } else { String::new() };
            format!("{}{stand_in}{tail}", head.replace('*', ""))
        }
        _ => native,
    }
}

/// Whether a text has a pattern in which `*` stands for anything; case does not matter.
fn fits(pattern: &str, text: &str) -> bool {
    let mut pieces = pattern.split('*');
    let first = pieces.next().unwrap_or_default();
    let (Some(head), Some(rest)) = (text.get(..first.len()), text.get(first.len()..)) else { return false };
    if !head.eq_ignore_ascii_case(first) {
        return false;
    }
    let after = pattern.get(first.len() + 1..);
    after.map_or(rest.is_empty(), |after| {
        let starts = rest.char_indices().map(|(at, _)| at).chain([rest.len()]);
        starts.into_iter().any(|at| fits(after, &rest[at..]))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_identity_is_what_the_bench_document_expects_and_says_that_it_is_virtual() {
        let native = "QUADRILLE,VIRTUAL VOLTMETER,SIM-2,1.0";
        for (pattern, expected) in [
            (None, native),
            (Some("*virtual voltmeter*"), native),
            (Some("QUADRILLE,*,1.0"), native),
            (Some("*nobody's 9*"), "nobody's 9 (QUADRILLE,VIRTUAL VOLTMETER,SIM-2,1.0)"),
            (Some("NOBODY,*,7,*"), "NOBODY,,7, (QUADRILLE,VIRTUAL VOLTMETER,SIM-2,1.0)"),
            (Some("NOBODY,*,7"), "NOBODY, (QUADRILLE,VIRTUAL VOLTMETER,SIM-2,1.0),7"),
            (Some("NOBODY"), "NOBODY"),
        ] {
            let named = named(pattern, native.to_owned());
            assert_eq!(named, expected);
            assert!(pattern.is_none_or(|pattern| fits(pattern, &named)), "{named}");
        }
        for (pattern, text) in [("a*ba", "aba"), ("maker,*,7,*", "MAKER,METER,7,2")] {
            assert!(fits(pattern, text), "{pattern} {text}");
        }
        for (pattern, text) in
            [("ab*ba", "aba"), ("maker", "maker,1"), ("maker,1", "maker"), ("maker,*,7", "maker,7")]
        {
            assert!(!fits(pattern, text), "{pattern} {text}");
        }
    }
}
