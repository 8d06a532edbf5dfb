//! What every exchange keeps when the link does not: an answer never outlives its question.
#![allow(clippy::unwrap_used)]

mod support;

use proptest::prelude::*;
use quadrille_drivers::{SourceDriver, VoltmeterDriver};
use quadrille_instruments::{CurrentSource, ErrorKind, InstrumentError, Voltmeter};
use quadrille_link::{Link, LinkError, Resource, Spoil, Spoiled};
use quadrille_quantity::{Ampere, Volt};
use std::time::Duration;
use support::{
    COMPLIANCE, ERRORS, LEVEL, OPENING, Peer, fails, garbled, late, line, session, shipped, spoiled,
};

/// The answer to a first question comes too late; the second question has another answer.
async fn a_late_answer(delay: f64) -> (Result<Option<bool>, InstrumentError>, Peer) {
    let peer = Peer::new(&[]);
    peer.answer(COMPLIANCE, [line("1"), line("0")]);
    let mut source = spoiled(&peer, [late(delay)]);
    fails(source.in_compliance().await, ErrorKind::Silent, &[COMPLIANCE, "no answer in 2 s"]);
    peer.received();
    (source.in_compliance().await, peer)
}

#[tokio::test(start_paused = true)]
async fn a_late_answer_is_not_taken_for_the_next_questions() {
    for delay in [2.1, 2.5, 3.0, 3.9] {
        let (second, peer) = a_late_answer(delay).await;
        assert_eq!(second.unwrap(), Some(false), "{delay} s");
        let lines = ["*ESE 3;*ESE?", "*ESE 4;*ESE?", "*ESE 0", "*IDN?", ERRORS, COMPLIANCE, ERRORS];
        assert_eq!(peer.received(), lines, "{delay} s");
    }
}

#[tokio::test(start_paused = true)]
async fn a_link_that_was_opened_again_and_leads_to_another_instrument_carries_no_command() {
    let peer = Peer::new(&[]);
    peer.answer(COMPLIANCE, [line("1")]);
    let mut source = spoiled(&peer, [late(2.5)]);
    fails(source.in_compliance().await, ErrorKind::Silent, &[COMPLIANCE]);
    peer.answer("*IDN?", [line("SOMEBODY,OTHER,1,2")]);
    peer.received();
    fails(source.set_output(false).await, ErrorKind::Identity, &["OTHER", "*invented*"]);
    assert_eq!(peer.received(), ["*ESE 3;*ESE?", "*ESE 4;*ESE?", "*ESE 0", "*IDN?"]);
    fails(source.set_output(false).await, ErrorKind::Identity, &["OTHER"]);
    assert!(peer.received().iter().all(|line| line.starts_with('*')));
    // It was the answer that was wrong, or somebody put the cable back.
    peer.answer("*IDN?", [line("SOMEBODY,INVENTED,1,2")]);
    assert_eq!(source.in_compliance().await.unwrap(), Some(true));
}

#[tokio::test(start_paused = true)]
async fn an_answer_later_than_the_fence_is_waited_for_fails_the_operation_and_is_not_taken_either() {
    for delay in [4.5, 8.0, 30.0] {
        fails(a_late_answer(delay).await.0, ErrorKind::Silent, &["*ESE?", "no answer"]);
    }
}

#[tokio::test(start_paused = true)]
async fn however_late_an_answer_is_the_instrument_is_found_again() {
    let peer = Peer::new(&[]);
    peer.answer(COMPLIANCE, [line("1"), line("0")]);
    let mut source = spoiled(&peer, [late(30.0)]);
    let mut seen = Vec::new();
    for _ in 0..20 {
        seen.extend(source.in_compliance().await.ok());
    }
    assert!(seen.len() >= 5, "{seen:?}");
    assert!(seen.iter().all(|at_limit| *at_limit == Some(false)), "{seen:?}");
}

// The opening took the numbers 1 and 2: the next fences are 3 and 4. A register that reads 3 looks like the first
// of them, and without a second one every later answer would be one question behind.
#[tokio::test(start_paused = true)]
async fn a_late_answer_that_looks_like_the_fence_is_not_enough_to_pass_it() {
    let peer = Peer::new(&[]);
    peer.answer(COMPLIANCE, [line("3"), line("4")]);
    let mut source = spoiled(&peer, [late(2.5)]);
    fails(source.in_compliance().await, ErrorKind::Silent, &[]);
    assert_eq!(source.in_compliance().await.unwrap(), Some(false));
}

#[tokio::test(start_paused = true)]
async fn an_answer_to_any_exchange_of_an_operation_may_be_late() {
    // Setting a level: complete, read back, errors. Its late answer would pass for the next level's.
    for exchange in 0..3 {
        for delay in [2.1, 3.0, 5.0] {
            let peer = Peer::new(&[]);
            peer.answer(LEVEL, [line("1E-4"), line("2E-4")]);
            if exchange == 0 {
                // The first read-back is never asked for.
                peer.answer(LEVEL, [line("2E-4")]);
            }
            let script = std::iter::repeat_n(Spoil::Pass, exchange).chain([late(delay)]);
            let mut source = spoiled(&peer, script);
            fails(source.set_level(Ampere(1e-4)).await, ErrorKind::Silent, &[]);
            match source.set_level(Ampere(2e-4)).await {
                Ok(()) => assert!(delay < 4.0),
                Err(error) => assert_eq!(error.kind, ErrorKind::Silent, "{exchange} {delay} {error}"),
            }
        }
    }
}

#[tokio::test(start_paused = true)]
async fn an_operation_that_is_dropped_leaves_its_link_dirty_and_the_next_one_fences_before_anything_else() {
    for pause_ms in [1, 500, 1900] {
        let peer = Peer::new(&[]);
        peer.answer(COMPLIANCE, [line("1"), line("0")]);
        let mut source = spoiled(&peer, [late(1.95)]);
        tokio::select! {
            biased;
            _ = source.in_compliance() => panic!("it should have been dropped"),
            () = tokio::time::sleep(Duration::from_millis(pause_ms)) => {}
        }
        peer.received();
        assert_eq!(source.in_compliance().await.unwrap(), Some(false));
        let received = peer.received();
        assert_eq!(received[..5], ["*ESE 3;*ESE?", "*ESE 4;*ESE?", "*ESE 0", "*IDN?", ERRORS]);
    }
}

#[tokio::test(start_paused = true)]
async fn an_operation_dropped_in_the_middle_of_an_opening_begins_it_again_with_other_numbers() {
    let peer = Peer::new(&[(LEVEL, "1E-4")]);
    let link = Spoiled::new(peer.link(), [Spoil::Pass, late(1.0)]);
    let mut source = SourceDriver::new(session(Box::new(link), shipped("current-source")));
    tokio::select! {
        biased;
        _ = source.set_level(Ampere(1e-4)) => panic!("it should have been dropped"),
        () = tokio::time::sleep(Duration::from_millis(500)) => {}
    }
    peer.received();
    source.set_level(Ampere(1e-4)).await.unwrap();
    assert_eq!(peer.received()[..2], ["*ESE 3;*ESE?", "*ESE 4;*ESE?"]);
}

/// A line whose clearing empties nothing: what was on its way still comes.
struct Uncleared<L>(L);

#[async_trait::async_trait]
impl<L: Link> Link for Uncleared<L> {
    fn resource(&self) -> &Resource {
        self.0.resource()
    }
    async fn send(&mut self, message: &[u8]) -> Result<(), LinkError> {
        self.0.send(message).await
    }
    async fn receive(&mut self) -> Result<Vec<u8>, LinkError> {
        self.0.receive().await
    }
    async fn clear(&mut self) -> Result<(), LinkError> {
        Ok(())
    }
}

#[tokio::test(start_paused = true)]
async fn a_link_that_is_cut_as_soon_as_it_is_open_again_is_opened_until_the_time_for_an_answer_is_over() {
    for (cuts, finds_it) in [(3, true), (1_000, false)] {
        let peer = Peer::new(&[]);
        peer.answer(COMPLIANCE, [line("1"), line("0")]);
        let mut source = spoiled(&peer, [late(2.5)]);
        fails(source.in_compliance().await, ErrorKind::Silent, &[COMPLIANCE]);
        peer.cuts(cuts);
        match source.in_compliance().await {
            Ok(at_limit) => assert_eq!((finds_it, at_limit), (true, Some(false))),
            Err(error) => assert_eq!((finds_it, error.kind), (false, ErrorKind::Link), "{error}"),
        }
    }
}

/// What may happen to an answer. A digit that changed cannot be told on a link without a checksum, so that what is
/// put in place of an answer is never another number.
fn spoil() -> impl Strategy<Value = Spoil> {
    let stale =
        prop_oneof![Just("1"), Just("3"), Just("4"), Just("0,\"No error\""), Just(":READ?"), Just("")];
    prop_oneof![
        12 => Just(Spoil::Pass),
        3 => (1u64..9000).prop_map(|ms| Spoil::Delay(Duration::from_millis(ms))),
        1 => Just(Spoil::Lose),
        1 => (0usize..8).prop_map(Spoil::Cut),
        2 => stale.prop_map(|text| Spoil::Precede(format!("{text}\n").into_bytes())),
        1 => proptest::collection::vec(128u8.., 0..6).prop_map(Spoil::Replace),
        1 => Just(garbled("ABC")),
    ]
}

/// Readings by a voltmeter that answers 1, 2, 3 and so on, so that each may be taken for the number of a fence: of
/// each the text that came, and how many the peer had been asked for by then.
async fn readings(script: Vec<Spoil>, patience: Vec<u64>, clears: bool) -> Vec<(String, usize)> {
    let peer = Peer::new(&[(":SENSe:VOLTage:DC:RANGe:UPPer?", "100")]);
    peer.answer(":READ?", (1..200).map(|k| line(&k.to_string())));
    // The opening and the range are let pass.
    let script = std::iter::repeat_n(Spoil::Pass, OPENING + 3).chain(script);
    let link = Spoiled::new(peer.link(), script);
    let link: Box<dyn Link> = if clears { Box::new(link) } else { Box::new(Uncleared(link)) };
    let mut voltmeter = VoltmeterDriver::new(session(link, shipped("voltmeter")));
    voltmeter.set_range(Volt(100.0)).await.unwrap();
    let mut readings = Vec::new();
    let mut asked = 0;
    for patience in patience {
        let patience = Duration::from_millis(patience);
        let answer = tokio::time::timeout(patience, voltmeter.read()).await;
        asked += peer.received().iter().filter(|line| *line == ":READ?").count();
        if let Ok(Ok(answer)) = answer {
            readings.push((answer.text, asked));
        }
    }
    readings
}

fn paused() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build().unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1500, ..ProptestConfig::default() })]

    #[test]
    fn whatever_is_read_is_the_answer_to_that_very_question(
        script in proptest::collection::vec(spoil(), 0..80),
        patience in proptest::collection::vec(prop_oneof![3 => Just(60_000u64), 1 => 1u64..6000], 1..40),
        clears in any::<bool>(),
    ) {
        for (text, asked) in paused().block_on(readings(script, patience, clears)) {
            prop_assert_eq!(text, asked.to_string());
        }
    }

    #[test]
    fn when_nothing_is_spoiled_any_more_everything_is_read(
        script in proptest::collection::vec(spoil(), 0..12),
        clears in any::<bool>(),
    ) {
        // Twelve spoiled answers spoil at most as many readings, and their delays are over by then.
        let readings = paused().block_on(readings(script, vec![60_000; 80], clears));
        prop_assert!(readings.len() >= 60, "{}", readings.len());
    }
}
