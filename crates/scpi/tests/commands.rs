//! Commands found by their headers in the notation of SCPI-1999, and their parameters read (from memory of volume 1,
//! 6 and 7, and of IEEE 488.2, 7.7).

use proptest::prelude::*;
use quadrille_scpi::ChannelList;
use quadrille_scpi::device::{
    CommandSet, Family, Form, HeaderPattern, Limits, ScpiError, Unit, parse_message,
};

fn unit(message: &str) -> Unit {
    parse_message(message.as_bytes()).next().expect("a unit").unwrap_or_else(|e| panic!("{message:?}: {e}"))
}

#[track_caller]
fn check(pattern: &str, header: &str, expected: Option<&[u32]>) {
    let pattern_read = HeaderPattern::parse(pattern).expect(pattern);
    let found = pattern_read.matches(&unit(header).header);
    assert_eq!(found.as_deref(), expected, "{pattern} {header}");
}

const FITS: Option<&[u32]> = Some(&[]);

#[test]
fn exactly_the_short_and_the_long_form_match() {
    check("SENSe:VOLTage[:DC]:RANGe[:UPPer]", "sens:volt:rang", FITS);
    check("SENSe:VOLTage[:DC]:RANGe[:UPPer]", ":SENSE:VOLTAGE:DC:RANGE:UPPER", FITS);
    check("SENSe:VOLTage[:DC]:RANGe[:UPPer]", "SENS:VOLT:RANG:UPP", FITS);
    check("SENSe:VOLTage[:DC]:RANGe[:UPPer]", "SENSE:VOLT:DC:RANG", FITS);
    check("SENSe:VOLTage[:DC]:RANGe[:UPPer]", "SENS:VOLTA:RANG", None);
    check("SENSe:VOLTage[:DC]:RANGe[:UPPer]", "SEN:VOLT:RANG", None);
    check("SENSe:VOLTage[:DC]:RANGe[:UPPer]", "SENS:VOLT:RANG:DC", None);
    check("SENSe:VOLTage[:DC]:RANGe[:UPPer]", "SENS:VOLT", None);
    check("SENSe:VOLTage[:DC]:RANGe[:UPPer]", "VOLT:RANG", None);
}

#[test]
fn nodes_in_brackets_may_be_left_out_each_for_itself() {
    let pattern = "SOURce:CURRent[:LEVel][:IMMediate][:AMPLitude]";
    for header in
        ["SOUR:CURR", "SOUR:CURR:LEV", "SOUR:CURR:IMM", "SOUR:CURR:LEV:AMPL", "SOUR:CURR:LEV:IMM:AMPL"]
    {
        check(pattern, header, FITS);
    }
    check(pattern, "SOUR:CURR:AMPL:LEV", None);
    check(pattern, "SOUR:CURR:LEV:LEV", None);
}

#[test]
fn a_root_in_brackets_may_be_left_out() {
    check("[SENSe:]VOLTage", "VOLT", FITS);
    check("[SENSe:]VOLTage", "SENS:VOLT", FITS);
    check("[SOURce]:CURRent", "CURR", FITS);
    check("[SOURce:]CURRent", "SOUR", None);
    check("[A:]A", "A", FITS);
}

#[test]
fn suffixes_count_where_a_pattern_takes_them_and_are_one_where_left_out() {
    check("OUTPut#[:STATe]", "OUTP2", Some(&[2]));
    check("OUTPut#[:STATe]", "OUTP:STAT", Some(&[1]));
    check("OUTPut#:RELay#", "OUTP3:REL7", Some(&[3, 7]));
    check("[SOURce#:]CURRent#", "CURR4", Some(&[1, 4]));
    check("OUTPut[:STATe]", "OUTP1", FITS);
    check("OUTPut[:STATe]", "OUTP2", None);
}

#[test]
fn common_commands_match_their_name_only() {
    check("*TRG", "*TRG", FITS);
    check("*TRG", "*trg", FITS);
    check("*TRG", "TRG", None);
    check("TRG", "*TRG", None);
}

#[test]
fn what_is_no_pattern_is_refused() {
    for pattern in
        ["", "[SOURce]", "sOURce", "SOURce:", "SOUR ce", "SOURce[:LEVel", "SOURCEandMORE1", "SoURce", "A::B"]
    {
        assert!(HeaderPattern::parse(pattern).is_err(), "{pattern:?}");
    }
}

#[test]
fn a_set_finds_a_command_in_its_form_or_says_that_there_is_none() {
    let mut set = CommandSet::new();
    for (pattern, form, what) in
        [("OUTPut[:STATe]", Form::Both, 'o'), ("READ", Form::Query, 'r'), ("ABORt", Form::Command, 'a')]
    {
        set.add(pattern, form, what).unwrap();
    }
    let find = |text: &str| set.find(&unit(text)).map_err(|error| error.answer());
    assert_eq!(find("OUTP ON"), Ok('o'));
    assert_eq!(find(":outp:state?"), Ok('o'));
    assert_eq!(find("READ?"), Ok('r'));
    assert_eq!(find("ABOR"), Ok('a'));
    assert_eq!(find("READ"), Err("-113,\"Undefined header;:READ\"".into()));
    assert_eq!(find("ABOR?"), Err("-113,\"Undefined header;:ABOR?\"".into()));
    assert_eq!(find("*TRG"), Err("-113,\"Undefined header;*TRG\"".into()));
    assert_eq!(find("OUTP2 ON"), Err("-114,\"Header suffix out of range\"".into()));
}

fn limits(family: Family) -> Limits {
    Limits { default: 0.5, ..Limits::new(family, -20.0, 3e9) }
}

#[track_caller]
fn number(family: Family, data: &str, expected: Result<f64, i32>) {
    let read = unit(&format!("X {data}")).number(0, &limits(family)).map_err(|error| error.code);
    match (read, expected) {
        // A multiplier is one rounding away from the decimal value.
        (Ok(read), Ok(expected)) => {
            assert!((read - expected).abs() <= 2e-16 * expected.abs(), "{data:?}: {read} for {expected}");
        }
        (read, expected) => assert_eq!(read, expected, "{data:?}"),
    }
}

// Multipliers of IEEE 488.2, table 7-2, and the exception of 7.7.3.3.
#[test]
fn numbers_take_the_units_of_their_family() {
    number(Family::Volt, "1.5", Ok(1.5));
    number(Family::Volt, "10 MV", Ok(0.01));
    number(Family::Volt, "2UV", Ok(2e-6));
    number(Family::Volt, "2 MAV", Ok(2e6));
    number(Family::Volt, "2 KV", Ok(2000.0));
    number(Family::Ampere, "5 MA", Ok(5e-3));
    number(Family::Ampere, "5 MAA", Ok(5e6));
    number(Family::Ampere, "5 PA", Ok(5e-12));
    number(Family::Ampere, "5 AA", Ok(5e-18));
    number(Family::Ampere, "5 A", Ok(5.0));
    number(Family::Ohm, "5 KOHM", Ok(5000.0));
    number(Family::Ohm, "5 MOHM", Ok(5e6));
    number(Family::Ohm, "1 GOHM", Ok(1e9));
    number(Family::Hertz, "2 MHZ", Ok(2e6));
    number(Family::Second, "20 MS", Ok(0.02));
    number(Family::Tesla, "-5 MT", Ok(-5e-3));
    number(Family::Tesla, "2 T", Ok(2.0));
    number(Family::Kelvin, "77 K", Ok(77.0));
    number(Family::Kelvin, "1 KK", Ok(1000.0));
    number(Family::Farad, "3 PF", Ok(3e-12));
    number(Family::Volt, "#H10", Ok(16.0));
}

#[test]
fn limits_have_names_and_are_kept() {
    number(Family::Volt, "MAX", Ok(3e9));
    number(Family::Volt, "minimum", Ok(-20.0));
    number(Family::Volt, "DEF", Ok(0.5));
    number(Family::Volt, "-20", Ok(-20.0));
    number(Family::Volt, "-20.000001", Err(-222));
    number(Family::Volt, "4 GV", Err(-222));
    number(Family::Volt, "1E400", Err(-222));
    number(Family::Volt, "INF", Err(-222));
    number(Family::Volt, "MAXI", Err(-224));
    number(Family::Volt, "NAN", Err(-224));
    assert_eq!(unit("X? MAX").named_limit(&limits(Family::Volt)), Ok(Some(3e9)));
    assert_eq!(unit("X?").named_limit(&limits(Family::Volt)), Ok(None));
    assert_eq!(unit("X? 1").named_limit(&limits(Family::Volt)), Err(ScpiError::new(-108)));
}

#[test]
fn a_unit_of_another_family_is_refused() {
    number(Family::Volt, "1 A", Err(-131));
    number(Family::Ampere, "1 MV", Err(-131));
    number(Family::Ohm, "1 XOHM", Err(-131));
    number(Family::Volt, "1 M", Err(-131));
    number(Family::None, "1 V", Err(-138));
    number(Family::None, "7", Ok(7.0));
    number(Family::Volt, "\"1\"", Err(-104));
    number(Family::Volt, "(@1)", Err(-104));
}

#[test]
fn the_number_of_parameters_is_kept() {
    assert_eq!(unit("X").expect(1..=2), Err(ScpiError::new(-109)));
    assert_eq!(unit("X 1,2,3").expect(1..=2), Err(ScpiError::new(-108)));
    assert_eq!(unit("X 1").expect(1..=2), Ok(()));
    assert_eq!(unit("X 1").expect_none(), Err(ScpiError::new(-108)));
    assert_eq!(unit("X").boolean(0), Err(ScpiError::new(-109)));
}

#[test]
fn booleans_are_words_or_numbers_that_are_rounded() {
    let boolean = |data: &str| unit(&format!("X {data}")).boolean(0).map_err(|error| error.code);
    assert_eq!([boolean("ON"), boolean("1"), boolean("0.6"), boolean("-3")], [Ok(true); 4]);
    assert_eq!([boolean("off"), boolean("0"), boolean("0.4")], [Ok(false); 3]);
    assert_eq!([boolean("YES"), boolean("1 V"), boolean("\"ON\"")], [Err(-224), Err(-138), Err(-104)]);
}

#[test]
fn integers_are_rounded_and_kept_within_their_range() {
    let integer = |data: &str| unit(&format!("X {data}")).integer(0, 0..=255).map_err(|error| error.code);
    assert_eq!(
        [integer("12"), integer("1.2E1"), integer("#HFF"), integer("254.6")],
        [Ok(12), Ok(12), Ok(255), Ok(255)]
    );
    assert_eq!([integer("256"), integer("-1"), integer("1E400"), integer("255.5")], [Err(-222); 4]);
    assert_eq!(integer("'1'"), Err(-104));
}

#[test]
fn words_strings_and_lists_are_read() {
    let words = ["LOW", "FLOat", "GROund"];
    assert_eq!(unit("X FLOAT").choice(0, &words), Ok(1));
    assert_eq!(unit("X gro").choice(0, &words), Ok(2));
    assert_eq!(unit("X low").choice(0, &words), Ok(0));
    assert_eq!(unit("X FLOA").choice(0, &words).map_err(|e| e.code), Err(-224));
    assert_eq!(unit("X \"VOLT:DC\"").text(0), Ok("VOLT:DC"));
    assert_eq!(unit("X VOLT").text(0).map_err(|e| e.code), Err(-104));
    assert_eq!(
        unit("X (@1!2:2!3)").channels(0),
        Ok(ChannelList::crosspoints([(1, 2), (1, 3), (2, 2), (2, 3)]))
    );
    assert_eq!(unit("X (1!2)").channels(0).map_err(|e| e.code), Err(-171));
    assert_eq!(unit("X (@1:99999)").channels(0).map_err(|e| e.code), Err(-223));
    assert_eq!(unit("X 1").channels(0).map_err(|e| e.code), Err(-104));
}

proptest! {
    #[test]
    fn no_text_makes_a_pattern_panic(text in "[A-Za-z0-9:\\[\\]#*\\PC]{0,30}") {
        let _ = HeaderPattern::parse(&text);
    }
}
