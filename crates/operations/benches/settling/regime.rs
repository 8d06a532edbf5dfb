//! What is measured on: the regimes, what the seed draws in each, and the documents of a night as text. Knows nothing of
//! how anything is measured.

use quadrille_operations::Inputs;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::path::PathBuf;

/// Contacts see this field in a Hall round, in teslas.
pub(crate) const FIELD_T: f64 = 0.5;

/// The slowest of the time constants that a sample and its leads have among them, over resistance times capacitance: what the
/// simulated bench shows, 1.8 to 2.4 over the samples that are drawn.
const OF_RC: f64 = 2.0;

/// A kind of sample on a kind of wiring.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Regime {
    /// As the table and `--regime` have it.
    pub(crate) name: &'static str,
    /// About the resistance between two contacts, in ohms.
    pub(crate) ohm: f64,
    /// Current, in amperes: no more than 1 mW, 10 V, 100 mA.
    pub(crate) ampere: f64,
    /// Capacitance of a contact with its column and its row, in farads.
    pub(crate) farad: f64,
    /// Whether guard and buffers are in.
    pub(crate) high: bool,
    /// Whether the guard is driven.
    pub(crate) guard: bool,
    /// Hall voltage over the voltage between two contacts.
    pub(crate) hall: f64,
}

const fn low(name: &'static str, ohm: f64, ampere: f64) -> Regime {
    Regime { name, ohm, ampere, farad: 100e-12, high: false, guard: false, hall: 1e-2 }
}

const fn high(name: &'static str, ohm: f64, ampere: f64, farad: f64, guard: bool) -> Regime {
    Regime { name, ohm, ampere, farad, high: true, guard, hall: 1e-2 }
}

/// All of them.
pub(crate) const REGIMES: [Regime; 8] = [
    low("1mohm", 1e-3, 0.1),
    low("1ohm", 1.0, 0.03),
    low("1kohm", 1e3, 1e-3),
    low("1Mohm", 1e6, 1e-5),
    high("1Gohm-guarded", 1e9, 1e-8, 3e-12, true),
    high("1Gohm-100pF", 1e9, 1e-8, 100e-12, false),
    high("100Gohm-guarded", 1e11, 1e-10, 3e-12, true),
    high("100Gohm-100pF", 1e11, 1e-10, 100e-12, false),
];

/// What disturbs a night beyond what every night has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Class {
    /// Nothing.
    Plain,
    /// 1/f noise in proportion to the current, as large as what is wanted.
    Flicker,
    /// The mains beside their nominal frequency.
    Mains,
    /// Absorption with a twentieth of the step.
    Deep,
    /// Absorption a hundred times slower than the first exponential.
    Slow,
    /// One reading in a hundred is a spike.
    Spikes,
    /// The first one or two readings after a change are anything.
    Bounce,
    /// A transient that ends as a power of time.
    Power,
}

impl Class {
    /// All of them, with their names.
    pub(crate) const ALL: [(&'static str, Self); 8] = [
        ("plain", Self::Plain),
        ("flicker", Self::Flicker),
        ("mains", Self::Mains),
        ("deep", Self::Deep),
        ("slow", Self::Slow),
        ("spikes", Self::Spikes),
        ("bounce", Self::Bounce),
        ("power", Self::Power),
    ];
}

/// What a seed draws.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Draw {
    pub(crate) regime: Regime,
    pub(crate) class: Class,
    pub(crate) seed: u64,
    /// Main time constant of a step, roughly: that of sample and leads, or the source's, whichever is longer.
    pub(crate) tau_s: f64,
    /// Slow exponential over the fast one: amplitude and time constant.
    pub(crate) tail: f64,
    pub(crate) slower: f64,
    /// Time constant of the source.
    source_s: f64,
    /// White noise of one reading over 20 ms as a part of the sensed voltage.
    pub(crate) noise: f64,
    /// Fluctuation in each decade of frequency as a part of the resistance.
    flicker: f64,
    /// How much more than nominal the frequency of the mains is, in hertz, and what of them a cycle lets through as a part
    /// of the sensed voltage, where they disturb.
    mains: (f64, f64),
    /// By how much the two van der Pauw resistances and the contacts differ from their usual part of `ohm`.
    shape: [f64; 6],
    /// What a person believes the time constant to be, as factors with a deviation of ln 2 and of ln 3.
    pub(crate) belief: [f64; 2],
}

impl Draw {
    /// What a seed draws in a regime.
    pub(crate) fn new(regime: Regime, class: Class, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed ^ regime.ohm.to_bits() ^ regime.farad.to_bits());
        let mut between = |low: f64, high: f64| low * (high / low).powf(rng.random_range(0.0..1.0));
        let source_s = between(0.5e-3, 2e-3);
        let tail = between(1e-4, 1e-2);
        let slower = between(3.0, 30.0);
        let noise = between(1e-5, 1e-3);
        let flicker = between(1e-7, 1e-6);
        let shape = [0; 6].map(|_| between(0.7, 1.4));
        let off = between(0.02, 0.5);
        let strong = between(3e-5, 3e-4);
        let normal = {
            let (a, b): (f64, f64) = (rng.random_range(1e-12..1.0), rng.random_range(0.0..1.0));
            (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
        };
        Self {
            regime,
            class,
            seed,
            tau_s: (OF_RC * regime.ohm * regime.farad).max(source_s),
            tail: if class == Class::Deep { 0.05 } else { tail },
            slower: if class == Class::Slow { 100.0 } else { slower },
            source_s,
            noise,
            flicker: if class == Class::Flicker { strong } else { flicker },
            mains: (off, 5.0 * strong),
            shape,
            belief: [(normal * 2f64.ln()).exp(), (normal * 3f64.ln()).exp()],
        }
    }

    /// Two van der Pauw resistances, in ohms.
    fn pair(&self) -> [f64; 2] {
        [0.32 * self.shape[0] * self.regime.ohm, 0.23 * self.shape[1] * self.regime.ohm]
    }

    /// Voltage that is sensed, roughly, in volts.
    pub(crate) fn volt(&self) -> f64 {
        let [a, b] = self.pair();
        (a * b).sqrt() * self.regime.ampere
    }

    /// The bench document.
    fn bench(&self) -> String {
        let Regime { farad, high, .. } = self.regime;
        let roles = ["current-source", "voltmeter", "ammeter", "switch-matrix"];
        let instruments: String = (0..4)
            .map(|k| {
                let role = roles[k];
                format!(
                    "[[instrument]]\nname = \"{role}\"\nrole = \"{role}\"\n\
                     resource = \"TCPIP::127.0.0.1::{}::SOCKET\"\ndialect = \"{role}\"\n",
                    5025 + k
                )
            })
            .collect();
        let buffers =
            "[wiring.buffers]\ncrosspoint = \"5!1\"\ninput_resistance_ohm = 1e17\nbias_current_a = 2e-16\n";
        let mains = if self.class == Class::Mains {
            let (off, through) = self.mains;
            // A mean over a cycle of the nominal frequency f lets d/f of the amplitude through, d beside it.
            let volt = (through * self.volt() * 50.0 / off).min(10.0);
            format!("mains_v = {volt:e}\nmains_off_hz = {off:e}\n")
        } else {
            String::new()
        };
        format!(
            "kind = \"bench\"\nname = \"bench of a regime\"\n[mains]\nfrequency_hz = 50\n\
             [limits]\nvoltage_v = 50.0\ncurrent_a = 0.1\npower_w = 1.0\n{instruments}\
             [wiring]\ncolumns = [1, 2, 3, 4]\nguard = true\n\
             [wiring.rows]\nsource_high = 1\nreturn_low = 2\nsense_high = 3\nsense_low = 4\n{}\
             [wiring.cable]\ncapacitance_f = {:e}\ninsulation_ohm = 1e15\n\
             guarded_capacitance_f = {:e}\nguarded_insulation_ohm = 1e16\n\
             [simulation]\nseed = {}\n\
             [simulation.disturbances]\njohnson_noise = true\nabsorption = {:e}\nabsorption_s = {:e}\n\
             source_s = {:e}\n{mains}",
            if high { buffers } else { "" },
            if self.regime.guard { 100e-12 } else { farad / 2.0 },
            if self.regime.guard { farad / 2.0 } else { farad / 20.0 },
            self.seed,
            (self.tail * self.slower).min(1.0),
            self.slower * self.tau_s,
            self.source_s,
        )
    }

    /// The sample document: a film of unequal resistances, with unequal contacts.
    fn sample(&self) -> String {
        let [a, b] = self.pair();
        let Regime { ohm, hall, .. } = self.regime;
        let contact = |part: f64, k: usize| part * self.shape[k] * ohm;
        let contacts = [contact(0.041, 2), contact(0.028, 3), contact(0.055, 4), contact(0.033, 5)];
        let flicker = [1.0, 0.6, 0.8, 1.3].map(|part| part * self.flicker * (a * b).sqrt());
        format!(
            "kind = \"sample\"\nname = \"film of a regime\"\nthickness_m = 480e-9\n\
             [model]\ntype = \"film\"\nr12_43_ohm = {a:e}\nr23_14_ohm = {b:e}\nhall_ohm_per_t = {:e}\n\
             contact_ohm = {contacts:?}\n\
             [model.imperfections]\nexcess_noise_ohm = {flicker:?}\n",
            -hall * ohm / FIELD_T
        )
    }

    /// The recipe document, with `[settling]` as it is given.
    fn recipe(&self, settling: &str, part: Part) -> String {
        let Regime { ampere, high, guard, .. } = self.regime;
        let switch = |on: bool| if on { "on" } else { "off" };
        let hall = format!(
            "[hall]\nfields_t = [{FIELD_T}, -{FIELD_T}]\nfield_relative_u = 0.001\nconfigurations = \"diagonals\"\n"
        );
        let resistivity = "[resistivity]\nconfigurations = \"standard\"\n".to_owned();
        let parts = match part {
            Part::Resistivity => resistivity,
            Part::Hall => hall,
            Part::Whole => resistivity + &hall,
        };
        let limit = (4.0 * ampere * self.regime.ohm).max(3.0);
        format!(
            "kind = \"recipe\"\nname = \"a round\"\ncurrent_a = {ampere:e}\nvoltage_limit_v = {limit:?}\n\
             voltage_range_v = {:e}\nreversal = \"+--+\"\ntemperature_k = 295.0\nguard = \"{}\"\nbuffers = \"{}\"\n\
             [settling]\n{settling}\n{parts}",
            1.2 * self.regime.ampere * self.regime.ohm,
            switch(guard),
            switch(high),
        )
    }

    /// The documents, read as every run reads them. The voltmeter's data sheet is given the noise of the draw where the
    /// shipped one is quieter.
    pub(crate) fn inputs(&self, settling: &str, part: Part) -> Inputs {
        let folder = tempfile::tempdir().unwrap();
        let write = |name: &str, text: String| -> PathBuf {
            let path = folder.path().join(name);
            std::fs::write(&path, text).unwrap();
            path
        };
        let bench = write("bench.toml", self.bench());
        let sample = write("sample.toml", self.sample());
        let recipe = write("recipe.toml", self.recipe(settling, part));
        let mut inputs =
            Inputs::read(&bench, &sample, Some(&recipe)).unwrap_or_else(|error| panic!("{error}"));
        // White noise of density e has the variance e²/2T over T = 20 ms.
        let density = self.noise * self.volt() * (2.0f64 * 0.02).sqrt();
        for range in &mut inputs.equipped.dialects[1].facts.ranges {
            range.noise_per_rthz = range.noise_per_rthz.max(density);
        }
        // Behind insulation that does not load gigohms, the shipped one's would charge open rows to hundreds of volts.
        inputs.equipped.dialects[1].facts.bias_current_a = 1e-16;
        inputs
    }
}

/// Which rounds a recipe has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Part {
    /// No field alone.
    Resistivity,
    /// Both signs of the field alone.
    Hall,
    /// All.
    Whole,
}

/// The same bench and sample without any noise: the seed draws the same offsets, gains and relays.
pub(crate) fn without_noise(inputs: &Inputs) -> Inputs {
    let mut quiet = inputs.clone();
    for range in quiet.equipped.dialects.iter_mut().flat_map(|dialect| &mut dialect.facts.ranges) {
        range.noise_per_rthz = 0.0;
    }
    let disturbances = &mut quiet.equipped.bench.disturbances;
    disturbances.johnson = false;
    (disturbances.mains_v, disturbances.mains_a, disturbances.drift_v) = (0.0, 0.0, 0.0);
    quiet.samples[0].imperfections.contact_noise_ohm.clear();
    quiet.samples[0].imperfections.excess_noise_ohm.clear();
    quiet
}
