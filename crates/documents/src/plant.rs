//! What surrounds the sample: the limits of a bench's cryostat and magnet, and what a simulation makes them of. Knows
//! nothing of how heat flows or iron remembers.

use crate::bench::Role;
use crate::table::{Bounds, Table};

const TEMPERATURE: Bounds = Bounds::new(0.01, 3000.0, "K");
const FIELD: Bounds = Bounds::new(1e-6, 50.0, "T");

/// Limits of the cryostat; the temperature controller is never told to leave them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cryostat {
    /// Lowest temperature that may be asked for, in kelvins.
    pub lowest_k: f64,
    /// Highest temperature that may be asked for, in kelvins.
    pub highest_k: f64,
    /// Fastest ramp, in kelvins per minute.
    pub most_ramp_k_per_min: f64,
}

/// Limits and constants of the magnet; its supply is never told to leave them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Magnet {
    /// Field for each ampere, in teslas.
    pub field_t_per_a: f64,
    /// Largest field of either sign, in teslas.
    pub most_field_t: f64,
    /// Fastest ramp, in teslas per second.
    pub most_ramp_t_per_s: f64,
}

impl Magnet {
    /// Current for a field, in amperes.
    pub fn current_a(&self, field_t: f64) -> f64 {
        field_t / self.field_t_per_a
    }
}

/// What a simulated thermometer is.
#[derive(Clone, Debug, PartialEq)]
pub enum SensorModel {
    /// A platinum resistor of 100 Ω at 0 °C as IEC 60751 tabulates it, −200 °C to 850 °C.
    Platinum,
    /// Resistance over temperature by a table: kelvins, rising, and ohms, all rising or all falling.
    Table(Vec<(f64, f64)>),
}

/// Settings of a digital controller as its front panel would have them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PidModel {
    /// Heater power for each kelvin of error, in watts.
    pub gain_w_per_k: Option<f64>,
    /// Integral time, in seconds.
    pub integral_s: Option<f64>,
    /// Derivative time, in seconds.
    pub derivative_s: f64,
    /// Time between two updates of the heater, in seconds.
    pub cadence_s: f64,
}

/// What a simulation makes the cryostat of: a heated stage between bath and sample.
#[derive(Clone, Debug, PartialEq)]
pub struct CryostatModel {
    /// Heat capacity of the stage, in joules per kelvin.
    pub stage_j_per_k: f64,
    /// Heat capacity of sample and holder, in joules per kelvin.
    pub sample_j_per_k: f64,
    /// Conductance from stage to bath, in watts per kelvin.
    pub bath_w_per_k: f64,
    /// Conductance from sample to stage, in watts per kelvin.
    pub sample_w_per_k: f64,
    /// What leaks from the sample to the bath (leads, gas), in watts per kelvin: the sample is not quite at the stage's
    /// temperature.
    pub leak_w_per_k: f64,
    /// Temperature of the bath, in kelvins.
    pub bath_k: f64,
    /// Temperature of stage and sample to begin with, in kelvins.
    pub start_k: f64,
    /// Most that the heater gives, in watts.
    pub heater_w: f64,
    /// The thermometer on the stage.
    pub sensor: SensorModel,
    /// Standard deviation of one conversion of the thermometer, in kelvins.
    pub noise_k: f64,
    /// Step of its digits, in kelvins.
    pub resolution_k: f64,
    /// The controller.
    pub pid: PidModel,
}

/// What a simulation makes the magnet of: a coil with iron, a supply, and a Hall probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MagnetModel {
    /// Inductance of the coil, in henries.
    pub inductance_h: f64,
    /// Resistance of coil and leads, in ohms.
    pub resistance_ohm: f64,
    /// Most that the supply gives, in volts.
    pub compliance_v: f64,
    /// Field that is left at no current after the largest, in teslas.
    pub remanence_t: f64,
    /// Reversal of the current after which the iron has turned round, in amperes.
    pub hysteresis_a: f64,
    /// Standard deviation of one reading of the probe, in teslas.
    pub noise_t: f64,
    /// Step of its digits, in teslas.
    pub resolution_t: f64,
}

/// What a simulation of the bench makes it of, beyond its wiring.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plants {
    /// The cryostat.
    pub cryostat: CryostatModel,
    /// The magnet.
    pub magnet: MagnetModel,
}

impl Default for CryostatModel {
    /// An invented stage over liquid nitrogen: 500 s by itself, the sample 5 s behind it, a few millikelvins below.
    fn default() -> Self {
        Self {
            stage_j_per_k: 50.0,
            sample_j_per_k: 1.0,
            bath_w_per_k: 0.1,
            sample_w_per_k: 0.2,
            leak_w_per_k: 5e-6,
            bath_k: 77.0,
            start_k: 295.0,
            heater_w: 50.0,
            sensor: SensorModel::Platinum,
            noise_k: 2e-3,
            resolution_k: 1e-3,
            pid: PidModel { gain_w_per_k: None, integral_s: None, derivative_s: 0.0, cadence_s: 0.1 },
        }
    }
}

impl Default for MagnetModel {
    /// An invented electromagnet of the laboratory's bench.
    fn default() -> Self {
        Self {
            inductance_h: 0.5,
            resistance_ohm: 0.5,
            compliance_v: 50.0,
            remanence_t: 2e-3,
            hysteresis_a: 2.0,
            noise_t: 2e-5,
            resolution_t: 1e-5,
        }
    }
}

/// The `[cryostat]` of a bench, which goes with a temperature controller.
pub(crate) fn cryostat(root: &Table<'_>, is_controlled: Option<bool>) -> Option<Option<Cryostat>> {
    let remedy = "write [cryostat] with lowest_k, highest_k and most_ramp_k_per_min";
    let Some(table) = belonging(root, "cryostat", Role::TemperatureController, is_controlled, remedy)? else {
        return Some(None);
    };
    table.text("notes");
    let need = |key, bounds| {
        let found = table.number(key, bounds);
        table.require(key, "write what the cryostat and everything in it bears", found)
    };
    let lowest = need("lowest_k", TEMPERATURE);
    let highest = need("highest_k", TEMPERATURE);
    let ramp = need("most_ramp_k_per_min", Bounds::new(1e-3, 1e3, "K/min"));
    let (lowest, highest) = (lowest?, highest?);
    if highest.value <= lowest.value {
        let problem = format!("{} K is not above the lowest, {} K", highest.value, lowest.value);
        table.push(highest.fault(problem, "write the higher one here"));
        return None;
    }
    Some(Some(Cryostat {
        lowest_k: lowest.value,
        highest_k: highest.value,
        most_ramp_k_per_min: ramp?.value,
    }))
}

/// The `[magnet]` of a bench, which goes with a field source.
pub(crate) fn magnet(root: &Table<'_>, is_supplied: Option<bool>) -> Option<Option<Magnet>> {
    let remedy = "write [magnet] with field_t_per_a, most_field_t and most_ramp_t_per_s";
    let Some(table) = belonging(root, "magnet", Role::FieldSource, is_supplied, remedy)? else {
        return Some(None);
    };
    table.text("notes");
    let need = |key, bounds| {
        let found = table.number(key, bounds);
        table.require(key, "write it from the magnet's papers", found).map(|x| x.value)
    };
    let field = need("field_t_per_a", Bounds::new(1e-9, 10.0, "T/A"));
    let most = need("most_field_t", FIELD);
    let ramp = need("most_ramp_t_per_s", Bounds::new(1e-9, 100.0, "T/s"));
    Some(Some(Magnet { field_t_per_a: field?, most_field_t: most?, most_ramp_t_per_s: ramp? }))
}

/// A table that must stand there with an instrument of its role, and not without. Whether the bench has one may be
/// unknown, where a role could not be read.
fn belonging<'t>(
    root: &Table<'t>,
    key: &'static str,
    role: Role,
    is_there: Option<bool>,
    remedy: &str,
) -> Option<Option<Table<'t>>> {
    let table = root.table(key);
    match (table, is_there) {
        (Some(table), Some(false)) => {
            let problem = format!("[{key}] stands here, and the bench has no {role}");
            let remedy = format!("write an [[instrument]] with role = \"{role}\", or leave [{key}] out");
            root.push(table.located(()).fault(problem, remedy));
            None
        }
        (None, Some(true)) => root.require(key, remedy, None).map(Some),
        (table, _) => (table.is_some() || !root.has(key)).then_some(table),
    }
}

/// `[simulation.cryostat]` and `[simulation.magnet]`; what is not written is as in the defaults.
pub(crate) fn plants(simulation: Option<&Table<'_>>) -> Option<Plants> {
    let table = |key| simulation.and_then(|simulation| simulation.table(key));
    let cryostat = table("cryostat").map_or_else(|| Some(CryostatModel::default()), |t| cryostat_model(&t));
    let magnet = table("magnet").map_or_else(MagnetModel::default, |t| magnet_model(&t));
    Some(Plants { cryostat: cryostat?, magnet })
}

fn cryostat_model(table: &Table<'_>) -> Option<CryostatModel> {
    let mut model = CryostatModel::default();
    let capacity = Bounds::new(1e-6, 1e6, "J/K");
    let conductance = Bounds::new(1e-9, 1e4, "W/K");
    let seconds = Bounds::new(1e-3, 1e6, "s");
    for (key, value, bounds) in [
        ("stage_j_per_k", &mut model.stage_j_per_k, capacity),
        ("sample_j_per_k", &mut model.sample_j_per_k, capacity),
        ("bath_w_per_k", &mut model.bath_w_per_k, conductance),
        ("sample_w_per_k", &mut model.sample_w_per_k, conductance),
        ("leak_w_per_k", &mut model.leak_w_per_k, Bounds::new(0.0, 1e4, "W/K")),
        ("bath_k", &mut model.bath_k, TEMPERATURE),
        ("start_k", &mut model.start_k, TEMPERATURE),
        ("heater_w", &mut model.heater_w, Bounds::new(1e-6, 1e5, "W")),
        ("noise_k", &mut model.noise_k, Bounds::new(0.0, 10.0, "K")),
        ("resolution_k", &mut model.resolution_k, Bounds::new(0.0, 10.0, "K")),
        ("derivative_s", &mut model.pid.derivative_s, Bounds::new(0.0, 1e5, "s")),
        ("cadence_s", &mut model.pid.cadence_s, Bounds::new(0.01, 60.0, "s")),
    ] {
        take(table, key, value, bounds);
    }
    model.pid.gain_w_per_k = table.number("gain_w_per_k", Bounds::new(1e-9, 1e6, "W/K")).map(|x| x.value);
    model.pid.integral_s = table.number("integral_s", seconds).map(|x| x.value);
    model.sensor = sensor(table)?;
    Some(model)
}

fn sensor(table: &Table<'_>) -> Option<SensorModel> {
    let word = table.word("sensor", &["platinum", "table"]);
    let kelvins = table.numbers("sensor_k", TEMPERATURE);
    let ohms = table.numbers("sensor_ohm", Bounds::new(1e-6, 1e12, "ohm"));
    if word.as_ref().is_none_or(|word| word.value == "platinum") {
        for list in [&kelvins, &ohms].into_iter().flatten() {
            table.push(list.fault("the thermometer is of platinum", "write sensor = \"table\" beside it"));
        }
        return (kelvins.is_none() && ohms.is_none()).then_some(SensorModel::Platinum);
    }
    let remedy = "write sensor_k and sensor_ohm: kelvins and the ohms at each";
    let kelvins = table.require("sensor_k", remedy, kelvins)?;
    let ohms = table.require("sensor_ohm", remedy, ohms)?;
    let (k, r): (Vec<f64>, Vec<f64>) =
        (kelvins.value.iter().map(|x| x.value).collect(), ohms.value.iter().map(|x| x.value).collect());
    let rises = |list: &[f64]| list.windows(2).all(|pair| pair[0] < pair[1]);
    let falls = |list: &[f64]| list.windows(2).all(|pair| pair[0] > pair[1]);
    if k.len() < 2 || !rises(&k) {
        table.push(kelvins.fault("a table of two kelvins or more, rising, is needed", remedy));
        return None;
    }
    if r.len() != k.len() || !(rises(&r) || falls(&r)) {
        let problem = format!("{} ohms, all rising or all falling, are needed", k.len());
        table.push(ohms.fault(problem, remedy));
        return None;
    }
    Some(SensorModel::Table(k.into_iter().zip(r).collect()))
}

fn magnet_model(table: &Table<'_>) -> MagnetModel {
    let mut model = MagnetModel::default();
    for (key, value, bounds) in [
        ("inductance_h", &mut model.inductance_h, Bounds::new(1e-9, 1e4, "H")),
        ("resistance_ohm", &mut model.resistance_ohm, Bounds::new(0.0, 1e6, "ohm")),
        ("compliance_v", &mut model.compliance_v, Bounds::new(1e-3, 1e5, "V")),
        ("remanence_t", &mut model.remanence_t, Bounds::new(0.0, 5.0, "T")),
        ("hysteresis_a", &mut model.hysteresis_a, Bounds::new(1e-9, 1e5, "A")),
        ("noise_t", &mut model.noise_t, Bounds::new(0.0, 1.0, "T")),
        ("resolution_t", &mut model.resolution_t, Bounds::new(0.0, 1.0, "T")),
    ] {
        take(table, key, value, bounds);
    }
    model
}

fn take(table: &Table<'_>, key: &'static str, value: &mut f64, bounds: Bounds) {
    if let Some(found) = table.number(key, bounds) {
        *value = found.value;
    }
}
