//! Benches and samples for the tests of this room. Invented figures.

use crate::parts::{Broken, Parts, Place};
use crate::world::{Source, World};
use quadrille_documents::{Bench, Dialect, Role, Sample};
use quadrille_quantity::Tesla;
use quadrille_specimen::ROOM;

const BENCH: &str = r#"
kind = "bench"
name = "tests"
[mains]
frequency_hz = 50
[limits]
voltage_v = 50.0
current_a = 0.1
power_w = 0.5
[[instrument]]
name = "source"
role = "current-source"
resource = "TCPIP::127.0.0.1::5025::SOCKET"
dialect = "current-source"
[[instrument]]
name = "voltmeter"
role = "voltmeter"
resource = "TCPIP::127.0.0.1::5026::SOCKET"
dialect = "voltmeter"
[[instrument]]
name = "ammeter"
role = "ammeter"
resource = "TCPIP::127.0.0.1::5027::SOCKET"
dialect = "ammeter"
[[instrument]]
name = "matrix"
role = "switch-matrix"
resource = "TCPIP::127.0.0.1::5028::SOCKET"
dialect = "switch-matrix"
[wiring]
columns = [11, 12, 13, 14]
guard = true
[wiring.rows]
source_high = 3
return_low = 1
sense_high = 4
sense_low = 2
[wiring.buffers]
crosspoint = "5!1"
input_resistance_ohm = 1e15
bias_current_a = 2e-15
[wiring.cable]
capacitance_f = 100e-12
insulation_ohm = 1e11
guarded_capacitance_f = 0.2e-12
guarded_insulation_ohm = 1e15
[simulation]
seed = 20
"#;

/// The bench of the tests: rows and columns are in no order, so that no index can stand for another.
pub(crate) fn bench() -> Bench {
    quadrille_documents::bench("bench.toml", BENCH, |_| Ok(())).unwrap()
}

/// The same with what disturbs it: keys of `[simulation.disturbances]`.
pub(crate) fn disturbed(keys: &str) -> Bench {
    let text = format!("{BENCH}[simulation.disturbances]\n{keys}\n");
    quadrille_documents::bench("bench.toml", &text, |_| Ok(())).unwrap()
}

/// The same with two samples, "left" and "right", on columns that are in no order.
pub(crate) fn bench_of_two() -> Bench {
    bench_of_two_with("")
}

/// The same with what disturbs it: keys of `[simulation.disturbances]`.
pub(crate) fn bench_of_two_with(keys: &str) -> Bench {
    let maps = "[[wiring.sample]]\nname = \"left\"\ncolumns = [14, 11, 16, 12]\n\
                [[wiring.sample]]\nname = \"right\"\ncolumns = [18, 13, 17, 15]\n";
    let text = BENCH.replace("columns = [11, 12, 13, 14]\n", "");
    let text = format!("{text}[simulation.disturbances]\n{keys}\n{maps}");
    quadrille_documents::bench("bench.toml", &text, |_| Ok(())).unwrap()
}

/// A sample by another name.
pub(crate) fn called(name: &str, mut sample: Sample) -> Sample {
    sample.name.value = name.to_owned();
    sample
}

/// The same with a cryostat and a magnet, without noise.
pub(crate) fn surrounded() -> Bench {
    quadrille_documents::bench("bench.toml", &format!("{BENCH}{SURROUNDINGS}"), |_| Ok(())).unwrap()
}

const SURROUNDINGS: &str = r#"
[simulation.cryostat]
noise_k = 0.0
resolution_k = 0.0
[simulation.magnet]
inductance_h = 2.0
resistance_ohm = 0.8
compliance_v = 40.0
remanence_t = 3e-3
noise_t = 0.0
resolution_t = 0.0
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
most_field_t = 1.2
most_ramp_t_per_s = 0.05
"#;

/// The dialects of the demonstration.
pub(crate) struct Dialects([Dialect; 6]);

impl Dialects {
    pub(crate) fn new() -> Self {
        let texts = [
            include_str!("../../../config/dialects/current-source.toml"),
            include_str!("../../../config/dialects/voltmeter.toml"),
            include_str!("../../../config/dialects/ammeter.toml"),
            include_str!("../../../config/dialects/switch-matrix.toml"),
            include_str!("../../../config/dialects/temperature-controller.toml"),
            include_str!("../../../config/dialects/field-source.toml"),
        ];
        Self(texts.map(|text| quadrille_documents::dialect("dialect.toml", text).unwrap()))
    }

    /// Without bias currents, thermoelectric voltages, noise and errors: what is left is the circuit.
    pub(crate) fn ideal() -> Self {
        let mut this = Self::new();
        for dialect in &mut this.0 {
            (dialect.facts.bias_current_a, dialect.facts.thermoelectric_v) = (0.0, 0.0);
            (dialect.facts.of_reading, dialect.facts.accuracy) = (0.0, 0.0);
            for range in &mut dialect.facts.ranges {
                (range.of_reading, range.of_range, range.noise_per_rthz) = (0.0, 0.0, 0.0);
            }
        }
        this
    }

    pub(crate) fn of(&self, role: Role) -> &Dialect {
        self.0.iter().find(|dialect| dialect.role == role).unwrap()
    }

    pub(crate) fn of_mut(&mut self, role: Role) -> &mut Dialect {
        self.0.iter_mut().find(|dialect| dialect.role == role).unwrap()
    }
}

/// A ring of four resistors.
pub(crate) fn ring(ab: f64, bc: f64, cd: f64, da: f64) -> Sample {
    imperfect_ring([ab, bc, cd, da], "")
}

/// The same with keys of `[model.imperfections]`.
pub(crate) fn imperfect_ring([ab, bc, cd, da]: [f64; 4], keys: &str) -> Sample {
    let text = format!(
        r#"
kind = "sample"
name = "ring"
contacts = ["a", "b", "c", "d"]
[limits]
current_a = 0.1
voltage_v = 50.0
power_w = 0.5
[model]
type = "network"
resistors = [["a", "b", {ab:e}], ["b", "c", {bc:e}], ["c", "d", {cd:e}], ["d", "a", {da:e}]]
[model.imperfections]
{keys}
"#
    );
    quadrille_documents::sample("sample.toml", &text).unwrap()
}

/// The film of the demonstration.
pub(crate) fn film() -> Sample {
    imperfect_film("")
}

/// The same with keys of `[model.imperfections]`.
pub(crate) fn imperfect_film(keys: &str) -> Sample {
    let film = include_str!("../../../config/demo/film.toml");
    quadrille_documents::sample("film.toml", &format!("{film}\n[model.imperfections]\n{keys}\n")).unwrap()
}

/// A world without instruments' errors, and the crosspoints of a configuration on it.
pub(crate) fn world(bench: &Bench, dialects: &Dialects, sample: &Sample) -> World {
    world_of(bench, dialects, &[sample])
}

/// The same with several samples.
pub(crate) fn world_of(bench: &Bench, dialects: &Dialects, samples: &[&Sample]) -> World {
    let parts = Parts::new(bench, &|role| dialects.of(role), samples, bench.seed, Broken::default()).unwrap();
    World::new(parts, Source { on: false, level: 0.0, current: 0.0, limit: 20.0 }, (ROOM, Tesla(0.0)))
        .unwrap()
}

/// The relays that join the terminals, in their order, to contacts counted from 1.
pub(crate) fn relays(contacts: [usize; 4]) -> Vec<(Place, bool)> {
    contacts.iter().enumerate().map(|(row, contact)| (Place::Relay(row, contact - 1), true)).collect()
}

/// One resistor between contacts 1 and 2, and nothing at the others.
pub(crate) fn pair(ohm: f64) -> Sample {
    imperfect_pair(ohm, "")
}

/// The same with keys of `[model.imperfections]`.
pub(crate) fn imperfect_pair(ohm: f64, keys: &str) -> Sample {
    let text = format!(
        r#"
kind = "sample"
name = "pair"
contacts = ["a", "b"]
[model]
type = "network"
resistors = [["a", "b", {ohm:e}]]
[model.imperfections]
{keys}
"#
    );
    quadrille_documents::sample("pair.toml", &text).unwrap()
}
