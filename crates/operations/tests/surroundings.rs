//! The drivers of temperature controller and magnet supply against the simulated ones: two ends of a conversation that
//! know nothing of one another, with the shipped dialects between them.
#![allow(clippy::print_stdout, clippy::unwrap_used)]

use quadrille_bench::{CryostatFault, MagnetFault, Options, SimulatedBench};
use quadrille_documents::{Bench, Role, bench, dialect, sample};
use quadrille_drivers::{FieldDriver, Session, Settings, TemperatureDriver};
use quadrille_experiment::Unreached;
use quadrille_instruments::{
    ErrorKind, FieldSource, FieldState, Instrument, MeterValue, Sensed, TemperatureController, ThermalState,
};
use quadrille_link::{Resource, memory};
use quadrille_operations::{
    Circumstances, Ending, Event, Inputs, Reading, Simulation, documents_at, measure, rehearse,
};
use quadrille_quantity::{Kelvin, Tesla};
use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::time::Duration;

const SURROUNDINGS: &str = r#"
[[instrument]]
name = "thermometer"
role = "temperature-controller"
resource = "TCPIP::127.0.0.1::5029::SOCKET"
dialect = "temperature-controller"
[[instrument]]
name = "magnet supply"
role = "field-source"
resource = "TCPIP::127.0.0.1::5030::SOCKET"
dialect = "field-source"
[cryostat]
lowest_k = 80.0
highest_k = 330.0
most_ramp_k_per_min = 10.0
[magnet]
field_t_per_a = 0.03
most_field_t = 0.9
most_ramp_t_per_s = 0.05
"#;

fn config(path: &str) -> String {
    std::fs::read_to_string(format!("{}/../../config/{path}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

fn document() -> Bench {
    let text = format!("{}{SURROUNDINGS}", config("demo/bench.toml"));
    bench("bench.toml", &text, |_| Ok(())).unwrap()
}

/// The simulated bench, and drivers on links to its two devices.
fn driven() -> (SimulatedBench, TemperatureDriver, FieldDriver) {
    let document = document();
    let dialects =
        Role::ALL.map(|role| dialect(role.word(), &config(&format!("dialects/{role}.toml"))).unwrap());
    let of = |role: Role| dialects.iter().find(|dialect| dialect.role == role).unwrap();
    let sample = sample("sample", &config("demo/standard-low.toml")).unwrap();
    let simulated = SimulatedBench::new(&document, of, &[&sample], Options::default()).unwrap();
    let session = |role: Role| {
        let (link, server) = memory(Resource::Socket { host: "memory".into(), port: 1 });
        let bench = simulated.clone();
        tokio::spawn(async move { bench.serve(role, Box::new(server)).await });
        let settings = Settings {
            name: role.to_string(),
            identity: None,
            timeout: Duration::from_secs(2),
            mains_hz: 50.0,
        };
        Session::new(Box::new(link), of(role).clone(), settings)
    };
    let temperature =
        TemperatureDriver::new(session(Role::TemperatureController), document.cryostat.unwrap());
    let field = FieldDriver::new(session(Role::FieldSource), document.magnet.unwrap());
    (simulated, temperature, field)
}

async fn pass(seconds: f64) {
    tokio::time::sleep(Duration::from_secs_f64(seconds)).await;
}

#[track_caller]
fn value(sensed: &Sensed) -> f64 {
    let MeterValue::Value(value) = sensed.value else { panic!("{sensed:?}") };
    value
}

#[tokio::test(start_paused = true)]
async fn a_temperature_is_set_reached_read_and_left() {
    let (bench, mut it, _) = driven();
    assert!(it.prepare().await.unwrap().contains("VIRTUAL TEMPERATURE CONTROLLER"));
    assert_eq!(it.status().await.unwrap().state, ThermalState::Off);
    it.set_ramp(10.0).await.unwrap();
    it.set_target(Kelvin(310.0)).await.unwrap();
    it.set_heater(true).await.unwrap();
    pass(30.0).await;
    let status = it.status().await.unwrap();
    assert_eq!((status.state.clone(), status.is_saturated()), (ThermalState::Ramping, Some(false)));
    pass(900.0).await;
    let status = it.status().await.unwrap();
    assert_eq!(status.state, ThermalState::Holding);
    assert!((status.heater_percent.unwrap() - 46.6).abs() < 1.0, "{status:?}");
    let sensed = it.temperature().await.unwrap();
    let (sample, _) = bench.surroundings();
    // The controller holds what its thermometer shows; the sample is off by the thermometer's error, 50 mK at most.
    assert!((value(&sensed) - 310.0).abs() < 0.02, "{sensed:?}");
    assert!((sample.0 - 310.0).abs() < 0.07 && (sample.0 - value(&sensed)).abs() < 3.0 * sensed.own_u);
    it.rest().await.unwrap();
    assert_eq!(it.status().await.unwrap().state, ThermalState::Off);
    pass(600.0).await;
    assert!(value(&it.temperature().await.unwrap()) < 250.0);
    assert_eq!((bench.complaints(), bench.left_on()), (vec![], vec![]));
}

#[tokio::test(start_paused = true)]
async fn a_controller_that_trips_and_a_thermometer_that_breaks_are_told() {
    let (bench, mut it, _) = driven();
    it.prepare().await.unwrap();
    it.set_heater(true).await.unwrap();
    bench.fail_cryostat(CryostatFault::SensorBroken);
    pass(1.0).await;
    assert_eq!(it.temperature().await.unwrap().value, MeterValue::NotANumber);
    let ThermalState::Fault(what) = it.status().await.unwrap().state else { panic!() };
    assert!(what.contains("thermometer"), "{what}");
    bench.mend_cryostat();
    bench.fail_cryostat(CryostatFault::Trips);
    pass(1.0).await;
    let ThermalState::Fault(what) = it.status().await.unwrap().state else { panic!() };
    assert!(what.contains("tripped"), "{what}");
    let refused = it.set_heater(true).await.unwrap_err();
    assert_eq!(refused.kind, ErrorKind::Rejected, "{refused}");
    it.rest().await.unwrap();
}

#[tokio::test(start_paused = true)]
async fn a_field_is_gone_to_held_measured_and_left_without_its_circuit_being_opened() {
    let (bench, _, mut it) = driven();
    assert!(it.prepare().await.unwrap().contains("VIRTUAL FIELD SOURCE"));
    assert_eq!(it.state().await.unwrap(), FieldState::AtRest);
    it.set_ramp(0.05).await.unwrap();
    it.go_to(Tesla(-0.5)).await.unwrap();
    assert_eq!(it.state().await.unwrap(), FieldState::Ramping);
    pass(11.0).await;
    assert_eq!(it.state().await.unwrap(), FieldState::AtRest);
    let sensed = it.field().await.unwrap();
    let (_, field) = bench.surroundings();
    // 2 mT of iron, and the probe's 1e-3 of reading and 0.1 mT.
    assert!((field.0 + 0.5).abs() < 2.1e-3 && (field.0 + 0.5).abs() > 1.9e-3, "{field}");
    assert!((value(&sensed) - field.0).abs() < 1e-3 * 0.5 + 1e-4 + 1e-4, "{sensed:?} {field}");
    it.go_to(Tesla(0.5)).await.unwrap();
    pass(5.0).await;
    it.hold().await.unwrap();
    assert_eq!(it.state().await.unwrap(), FieldState::AtRest);
    let held = bench.surroundings().1;
    pass(60.0).await;
    assert!(bench.surroundings().1 == held && held.abs() < Tesla(0.3), "{held}");
    it.rest().await.unwrap();
    assert_eq!(bench.left_on(), []);
    pass(60.0).await;
    assert_eq!(it.state().await.unwrap(), FieldState::AtRest);
    assert!(bench.surroundings().1.abs() < Tesla(2.1e-3));
    assert_eq!(bench.complaints(), []);
}

#[tokio::test(start_paused = true)]
async fn a_ramp_that_stalls_ramps_for_ever_and_a_quench_is_a_fault() {
    let (bench, _, mut it) = driven();
    it.prepare().await.unwrap();
    it.set_ramp(0.05).await.unwrap();
    it.go_to(Tesla(0.5)).await.unwrap();
    pass(4.0).await;
    bench.fail_magnet(MagnetFault::RampStalls);
    pass(1000.0).await;
    assert_eq!(it.state().await.unwrap(), FieldState::Ramping);
    assert!((value(&it.field().await.unwrap()) - 0.2).abs() < 0.01);
    bench.mend_magnet();
    bench.fail_magnet(MagnetFault::Trips);
    pass(60.0).await;
    let FieldState::Fault(what) = it.state().await.unwrap() else { panic!() };
    assert!(what.contains("quenched"), "{what}");
    let refused = it.go_to(Tesla(0.1)).await.unwrap_err();
    assert_eq!(refused.kind, ErrorKind::Rejected, "{refused}");
    assert_eq!(bench.complaints(), []);
}

/// One line of a conversation over TCP.
fn over_tcp(resource: &str, message: &str) -> String {
    let port = resource.split("::").nth(2).unwrap().parse::<u16>().unwrap();
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.write_all(format!("{message}\n").as_bytes()).unwrap();
    let mut answer = String::new();
    BufReader::new(stream).read_line(&mut answer).unwrap();
    answer.trim().to_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_run_whose_voltmeter_is_absent_leaves_no_heat_and_no_field() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.toml");
    let demo = |file: &str| format!("{}/../../config/demo/{file}", env!("CARGO_MANIFEST_DIR"));
    let text = format!("{}{SURROUNDINGS}", config("demo/bench.toml"));
    std::fs::write(&path, &text).unwrap();
    let inputs = |path: &std::path::Path| {
        let (sample, recipe) = (demo("film.toml"), demo("film-recipe.toml"));
        Inputs::read(path, sample.as_ref(), Some(recipe.as_ref())).unwrap()
    };
    let sound = inputs(&path);
    let mut simulation = Simulation::new(&sound, Options::default()).unwrap();
    let served = simulation.serve(&sound.equipped, Some("127.0.0.1:0".parse().unwrap())).await.unwrap();
    let of = |role: &str| served.devices.iter().find(|device| device.role == role).unwrap().resource.clone();
    let (controller, supply) = (of("temperature-controller"), of("field-source"));
    let told = over_tcp(&supply, "FIEL:RAMP 0.05;:FIEL 0.3;:OUTP ON;:FIEL:STAR;*OPC?");
    assert_eq!((told.as_str(), over_tcp(&controller, "OUTP ON;OUTP?").as_str()), ("1", "1"));
    // Nobody listens where the voltmeter should be.
    let dead = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let elsewhere = documents_at(&sound.equipped, &path, &text, &served.devices);
    let elsewhere = elsewhere.replace(&of("voltmeter"), &format!("TCPIP::127.0.0.1::{dead}::SOCKET"));
    std::fs::write(&path, elsewhere).unwrap();
    let (_nobody, stop) = tokio::sync::watch::channel(false);
    let journal = folder.path().join("journal.sqlite");
    let failed = measure(&inputs(&path), None, &journal, &mut simulation, &mut (), stop).await.unwrap_err();
    assert!(failed.to_string().contains("voltmeter"), "{failed}");
    assert_eq!(over_tcp(&controller, "OUTP?"), "0");
    // On its way to no current by its own ramp, its circuit closed.
    assert_eq!(over_tcp(&supply, "FIEL?;:OUTP?").as_str(), "0.0E+00;1");
    assert_eq!(simulation.complaints(), []);
}

#[test]
fn a_recipe_of_two_temperatures_and_two_fields_is_rehearsed_without_complaint() {
    let folder = tempfile::tempdir().unwrap();
    let (bench, recipe) = (folder.path().join("bench.toml"), folder.path().join("recipe.toml"));
    std::fs::write(&bench, format!("{}{SURROUNDINGS}", config("demo/bench.toml"))).unwrap();
    let text = config("demo/film-recipe.toml").replace(
        "temperature_k = 295.0",
        "temperatures_k = [305.0, 290.0]\n[stability]\nramp_k_per_min = 5.0\n",
    );
    let text = text.replacen("guard = \"by-resistance\"\nbuffers = \"by-resistance\"\n", "", 1);
    std::fs::write(&recipe, text).unwrap();
    let film = format!("{}/../../config/demo/film.toml", env!("CARGO_MANIFEST_DIR"));
    let inputs = Inputs::read(&bench, film.as_ref(), Some(&recipe)).unwrap();
    let rehearsed = rehearse(&inputs, Options::default(), &mut ()).unwrap();
    assert!(matches!(rehearsed.outcome.ending, Ending::Finished), "{:?}", rehearsed.outcome);
    assert_eq!(rehearsed.complaints, []);
    let seen = |sign: f64, kelvin: f64| {
        let at = |reading: &&(Reading, Circumstances)| {
            (reading.0.temperature.0 - kelvin).abs() < 0.2 && reading.0.field.0 * sign > 0.49
        };
        rehearsed.readings.iter().filter(at).count()
    };
    // Four diagonals, four polarities.
    for (sign, kelvin) in [(1.0, 305.0), (-1.0, 305.0), (1.0, 290.0), (-1.0, 290.0)] {
        assert_eq!(seen(sign, kelvin), 16, "{sign} {kelvin}");
    }
}

/// The demonstration's film at two temperatures, with this in `[stability]`.
fn rehearsed(kelvins: &str, stability: &str) -> quadrille_operations::Rehearsed {
    let folder = tempfile::tempdir().unwrap();
    let (bench, recipe) = (folder.path().join("bench.toml"), folder.path().join("recipe.toml"));
    std::fs::write(&bench, format!("{}{SURROUNDINGS}", config("demo/bench.toml"))).unwrap();
    let text = config("demo/film-recipe.toml")
        .replace("temperature_k = 295.0", &format!("temperatures_k = {kelvins}\n[stability]\n{stability}\n"));
    let text = text.replacen("guard = \"by-resistance\"\nbuffers = \"by-resistance\"\n", "", 1);
    std::fs::write(&recipe, text).unwrap();
    let film = format!("{}/../../config/demo/film.toml", env!("CARGO_MANIFEST_DIR"));
    let inputs = Inputs::read(&bench, film.as_ref(), Some(&recipe)).unwrap();
    let rehearsed = rehearse(&inputs, Options::default(), &mut ()).unwrap();
    assert!(matches!(rehearsed.outcome.ending, Ending::Finished), "{:?}", rehearsed.outcome);
    assert_eq!(rehearsed.complaints, []);
    rehearsed
}

#[test]
fn a_temperature_that_the_cryostat_cannot_reach_in_time_is_left_out_and_the_rest_is_measured() {
    // 82 K are five kelvins above the bath: over half an hour by a stage of 500 s.
    let rehearsed = rehearsed("[290.0, 82.0]", "longest_wait_s = 1500\nunreached = \"skip\"");
    let kelvins: Vec<f64> = rehearsed.readings.iter().map(|(reading, _)| reading.temperature.0).collect();
    assert_eq!(kelvins.len(), rehearsed.plan.readings() / 2);
    assert!(kelvins.iter().all(|kelvin| (kelvin - 290.0).abs() < 0.2), "{kelvins:?}");
    assert_eq!(rehearsed.reduction.unwrap().points.len(), 1);
    let skipped = rehearsed.events.iter().find_map(|event| match event {
        Event::TemperatureUnreached { planned, because, then, .. } => Some((*planned, because, then)),
        _ => None,
    });
    let (planned, because, then) = skipped.unwrap();
    assert_eq!((planned, then), (Kelvin(82.0), &Unreached::Skipped { rounds: vec![4, 5, 6] }));
    assert!(because.starts_with("not within 0.1 K of it in 1.5 ks: "), "{because}");
}

#[test]
fn the_simulated_cryostat_passes_a_temperature_by_no_more_than_it_may() {
    let overshoots = |stability: &str| -> Vec<f64> {
        let of = |event: &Event| match event {
            Event::TemperatureReached { seen: Some(seen), .. } => Some(seen.overshoot.0),
            _ => None,
        };
        rehearsed("[305.0, 320.0]", stability).events.iter().filter_map(of).collect()
    };
    let (freely, carefully) =
        (overshoots("ramp_k_per_min = 10.0"), overshoots("ramp_k_per_min = 10.0\novershoot_k = 0.05"));
    println!("passed by {freely:?} K, with care {carefully:?} K");
    assert!(freely.iter().all(|passed| *passed > 0.05), "{freely:?}");
    assert!(carefully.iter().all(|passed| *passed <= 0.05), "{carefully:?}");
}
