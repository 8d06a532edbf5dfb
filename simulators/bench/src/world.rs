//! The electrical world in time: voltages that relax after every change, a source with its voltage limit, averages
//! over windows, and complaints. Time is given from outside, in seconds; knows no command and no instrument's error.

use crate::complaint::{Complaint, ComplaintKind};
use crate::parts::{
    CLAMP_SIEMENS, CONTACTS, Drive, Formed, Parts, Place, Position, RETURN_LOW, SENSE_HIGH, SENSE_LOW,
    SOURCE_HIGH,
};
use quadrille_network::{NetworkError, Response};
use quadrille_quantity::{Second, Tesla, Volt};
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

/// Circuits kept; a field ramp would otherwise keep one for every step.
const MOST_FORMED: usize = 256;

/// What a contact that moves may have against ground, in volts. Ours.
const COLD_V: f64 = 1.0;

/// Above a limit by this much is a complaint: the source's own error is no misuse.
const LIMIT_MARGIN: f64 = 1.01;

/// Changes of mode within one stretch of time; more would be the model's own mistake.
const MOST_CROSSINGS: usize = 64;

/// What a meter averages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Quantity {
    /// Voltage of the high sense row against the low one.
    Voltage,
    /// Current out of the return row through the ammeter.
    Current,
}

/// An average being taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct WindowId(u64);

struct Window {
    quantity: Quantity,
    start: f64,
    end: f64,
    integral: f64,
}

/// The source as it is set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Source {
    /// Whether the output is on.
    pub(crate) on: bool,
    /// The current that is set, in amperes.
    pub(crate) level: f64,
    /// The current that flows for it, in amperes.
    pub(crate) current: f64,
    /// The voltage limit, in volts.
    pub(crate) limit: f64,
}

/// What the sample may be given.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Limits {
    pub(crate) voltage: f64,
    pub(crate) current: f64,
    pub(crate) power: f64,
}

/// How the source stands to its limit; the voltages between which it drives the set current are those of
/// i = clamp(current, (−limit − v) S, (limit − v) S), which is continuous.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Mode {
    Off,
    Free,
    AtLimit { positive: bool },
}

pub(crate) struct World {
    parts: Parts,
    limits: Limits,
    position: Position,
    source: Source,
    mode: Mode,
    formed: Arc<Formed>,
    kept: HashMap<Position, Arc<Formed>>,
    time: f64,
    voltages: Vec<f64>,
    windows: BTreeMap<WindowId, Window>,
    windows_begun: u64,
    exceeded: [bool; 3],
    complaints: Vec<Complaint>,
}

impl World {
    /// Everything at rest at time zero.
    pub(crate) fn new(
        parts: Parts,
        limits: Limits,
        source: Source,
        field: Tesla,
    ) -> Result<Self, NetworkError> {
        let position = Position::at_rest(field);
        let formed = Arc::new(parts.form(&position)?);
        Ok(Self {
            voltages: formed.background.clone(),
            kept: HashMap::from([(position.clone(), Arc::clone(&formed))]),
            parts,
            limits,
            position,
            source,
            mode: Mode::Off,
            formed,
            time: 0.0,
            windows: BTreeMap::new(),
            windows_begun: 0,
            exceeded: [false; 3],
            complaints: Vec::new(),
        })
    }

    pub(crate) fn parts(&self) -> &Parts {
        &self.parts
    }

    pub(crate) fn position(&self) -> &Position {
        &self.position
    }

    pub(crate) fn source(&self) -> Source {
        self.source
    }

    pub(crate) fn complaints(&self) -> &[Complaint] {
        &self.complaints
    }

    /// Whether the source is held by its voltage limit.
    pub(crate) fn is_at_limit(&self) -> bool {
        matches!(self.mode, Mode::AtLimit { .. })
    }

    /// Lets time pass. Time that has already passed does not come back.
    pub(crate) fn advance(&mut self, to: f64) {
        while self.time < to {
            let bounds = self.windows.values().flat_map(|window| [window.start, window.end]);
            let next = bounds.filter(|&bound| bound > self.time).fold(to, f64::min);
            self.pass(next);
        }
    }

    /// Sets the source.
    pub(crate) fn set_source(&mut self, time: f64, source: Source) {
        self.advance(time);
        self.source = source;
        self.rearrange();
    }

    /// Drives the guard, or not.
    pub(crate) fn set_guard(&mut self, time: f64, driven: bool) {
        self.advance(time);
        self.position.guard = driven;
        self.rearrange();
    }

    /// Opens the ammeter's input, or shorts it.
    pub(crate) fn set_input(&mut self, time: f64, open: bool) {
        self.advance(time);
        self.position.input = open;
        self.rearrange();
    }

    /// Sets the field.
    pub(crate) fn set_field(&mut self, time: f64, field: Tesla) -> Result<(), NetworkError> {
        self.advance(time);
        let position = Position { field: field.0.to_bits(), ..self.position.clone() };
        self.parts.form(&position)?;
        self.position = position;
        self.rearrange();
        Ok(())
    }

    /// Moves relays to closed or open; those that are already so do not move.
    pub(crate) fn switch(&mut self, time: f64, moves: &[(Place, bool)]) {
        self.advance(time);
        let mut moved = Vec::new();
        for &(place, close) in moves {
            let changed = match place {
                Place::Buffers => std::mem::replace(&mut self.position.buffers, close) != close,
                Place::Relay(row, column) if close => self.position.closed.insert((row, column)),
                Place::Relay(row, column) => self.position.closed.remove(&(row, column)),
            };
            if changed {
                moved.push(place);
            }
        }
        self.judge_switching(&moved);
        self.rearrange();
    }

    /// The client of the source is gone.
    pub(crate) fn source_abandoned(&mut self, time: f64) {
        self.advance(time);
        if self.source.on && self.source.level != 0.0 {
            let detail = format!("{:e} A is still set, and nobody is there", self.source.level);
            self.complain(ComplaintKind::OutputLeftOn, detail);
        }
    }

    /// Begins an average over `[start, end]`; what of it has already passed is cut off.
    pub(crate) fn begin_window(&mut self, quantity: Quantity, start: f64, end: f64) -> WindowId {
        let start = start.max(self.time);
        let id = WindowId(self.windows_begun);
        self.windows_begun += 1;
        self.windows.insert(id, Window { quantity, start, end: end.max(start), integral: 0.0 });
        id
    }

    /// The average of a window that is over, in volts or amperes; the window is forgotten. `None` before its end or
    /// for one that is forgotten.
    pub(crate) fn end_window(&mut self, id: WindowId) -> Option<f64> {
        if self.windows.get(&id)?.end > self.time {
            return None;
        }
        let window = self.windows.remove(&id)?;
        let length = window.end - window.start;
        Some(if length > 0.0 { window.integral / length } else { self.value(window.quantity) })
    }

    /// Forgets a window.
    pub(crate) fn abandon_window(&mut self, id: WindowId) {
        self.windows.remove(&id);
    }

    /// A quantity now, in volts or amperes.
    pub(crate) fn value(&self, quantity: Quantity) -> f64 {
        self.of(&self.voltages, quantity)
    }

    fn of(&self, nodes: &[f64], quantity: Quantity) -> f64 {
        match quantity {
            Quantity::Voltage => nodes[SENSE_HIGH] - nodes[SENSE_LOW],
            Quantity::Current if self.position.input => nodes[RETURN_LOW] / self.parts.burden_ohm(),
            Quantity::Current => 0.0,
        }
    }

    /// After a change: voltages go on from where they are, in the circuit and mode that now apply.
    fn rearrange(&mut self) {
        self.mode = if self.source.on {
            let volt = self.voltages[SOURCE_HIGH];
            let [low, high] = self.free_span();
            match volt {
                _ if volt >= high => Mode::AtLimit { positive: true },
                _ if volt <= low => Mode::AtLimit { positive: false },
                _ => Mode::Free,
            }
        } else {
            Mode::Off
        };
        self.take_circuit();
    }

    fn take_circuit(&mut self) {
        self.position.drive = match self.mode {
            Mode::Off => Drive::Off,
            Mode::Free => Drive::Current,
            Mode::AtLimit { .. } => Drive::Clamp,
        };
        if let Some(formed) = self.kept.get(&self.position) {
            self.formed = Arc::clone(formed);
            return;
        }
        match self.parts.form(&self.position) {
            Ok(formed) => self.formed = Arc::new(formed),
            // Every node has insulation and capacitance to ground, and the field was tried when it was set.
            Err(error) => unreachable!("a circuit that cannot be formed: {error}"),
        }
        if self.kept.len() >= MOST_FORMED {
            self.kept.clear();
        }
        self.kept.insert(self.position.clone(), Arc::clone(&self.formed));
    }

    /// Voltages of the source's row between which it drives the set current.
    fn free_span(&self) -> [f64; 2] {
        let short = self.source.current / CLAMP_SIEMENS;
        [-self.source.limit - short, self.source.limit - short]
    }

    /// A stretch without the end of a window inside.
    fn pass(&mut self, to: f64) {
        let (from, mut done) = (self.time, 0.0);
        let mut integrals = vec![0.0; self.voltages.len()];
        for _ in 0..MOST_CROSSINGS {
            let left = to - from - done;
            let whole = self.respond(left);
            let crossing = self.crossing(left, &whole);
            let (response, took, mode) = match crossing {
                Some((response, took, mode)) => (response, took, Some(mode)),
                None => (whole, left, None),
            };
            integrals.iter_mut().zip(&response.integrals).for_each(|(sum, part)| *sum += part);
            self.voltages = response.voltages;
            done += took;
            let Some(mode) = mode else { break };
            self.mode = mode;
            self.take_circuit();
        }
        self.time = to;
        let share = |quantity| self.of(&integrals, quantity);
        let shares = [share(Quantity::Voltage), share(Quantity::Current)];
        let inside = |window: &&mut Window| window.start <= from && window.end >= to;
        for window in self.windows.values_mut().filter(inside) {
            window.integral += match window.quantity {
                Quantity::Voltage => shares[0],
                Quantity::Current => shares[1],
            };
        }
        self.judge_limits();
    }

    /// Node voltages after some seconds in the present mode. Only what differs from the background is propagated,
    /// with the drive turned positive: the solver keeps most digits near ground for currents that go there.
    fn respond(&self, seconds: f64) -> Response {
        let drive = match self.mode {
            Mode::Off => 0.0,
            Mode::Free => self.source.current,
            Mode::AtLimit { positive: true } => self.source.limit * CLAMP_SIEMENS,
            Mode::AtLimit { positive: false } => -self.source.limit * CLAMP_SIEMENS,
        };
        let sign = if drive < 0.0 { -1.0 } else { 1.0 };
        let background = &self.formed.background;
        let excess: Vec<f64> = self.voltages.iter().zip(background).map(|(v, b)| sign * (v - b)).collect();
        let mut currents = vec![0.0; excess.len()];
        currents[SOURCE_HIGH] = sign * drive;
        let mut response = self.formed.dynamics.advance(&excess, &currents, Second(seconds));
        for (k, b) in background.iter().enumerate() {
            response.voltages[k] = sign * response.voltages[k] + b;
            response.integrals[k] = sign * response.integrals[k] + b * seconds;
        }
        response
    }

    /// The first moment within a stretch at which the source comes to its limit or leaves it, with the mode from
    /// then on.
    fn crossing(&self, seconds: f64, whole: &Response) -> Option<(Response, f64, Mode)> {
        if self.mode == Mode::Off {
            return None;
        }
        let mut outside = seconds;
        let mut response = None;
        if !self.is_beyond(whole) {
            // It may have been beyond and come back, where other nodes hold more than the row itself.
            let most = self.voltages.iter().chain(&whole.voltages).fold(0.0_f64, |m, v| m.max(v.abs()));
            let limited = self.mode == Mode::Free && most < self.source.limit;
            let early = || (1..=6).rev().map(|k| seconds * 10f64.powi(-k));
            let found = early()
                .filter(|_| !limited)
                .map(|after| (after, self.respond(after)))
                .find(|(_, response)| self.is_beyond(response))?;
            outside = found.0;
            response = Some(found.1);
        }
        let mut response = response.unwrap_or_else(|| whole.clone());
        let mut inside = 0.0;
        // Down to where the moment cannot be told apart, in time or in voltage.
        for _ in 0..60 {
            let middle = 0.5 * (inside + outside);
            let here = self.respond(middle);
            if self.is_beyond(&here) {
                (outside, response) = (middle, here);
            } else {
                inside = middle;
            }
            let close = (response.voltages[SOURCE_HIGH] - self.bound()).abs() <= 1e-12 * self.source.limit;
            if close || outside - inside <= 1e-12 * seconds {
                break;
            }
        }
        let positive = response.voltages[SOURCE_HIGH] > 0.0;
        let mode = if self.mode == Mode::Free { Mode::AtLimit { positive } } else { Mode::Free };
        Some((response, outside, mode))
    }

    /// Whether the voltages at the end of a stretch belong to another mode.
    fn is_beyond(&self, response: &Response) -> bool {
        let volt = response.voltages[SOURCE_HIGH];
        let [low, high] = self.free_span();
        match self.mode {
            Mode::Off => false,
            Mode::Free => volt > high || volt < low,
            Mode::AtLimit { positive: true } => volt < high,
            Mode::AtLimit { positive: false } => volt > low,
        }
    }

    /// The voltage at which the present mode ends, towards which the row is going.
    fn bound(&self) -> f64 {
        let [low, high] = self.free_span();
        let upwards = match self.mode {
            Mode::AtLimit { positive } => positive,
            _ => self.source.current >= 0.0,
        };
        if upwards { high } else { low }
    }

    fn judge_switching(&mut self, moved: &[Place]) {
        if moved.is_empty() {
            return;
        }
        let name = |place: &Place| {
            self.parts.crosspoint(*place).map_or_else(|| "buffers".to_owned(), |c| c.to_string())
        };
        let names = moved.iter().map(name).collect::<Vec<_>>().join(",");
        let driven = self.source.on && self.source.level != 0.0;
        let volts = moved.iter().map(|place| match *place {
            Place::Relay(row, column) => {
                let contact = self.voltages[CONTACTS + column].abs();
                if row == SOURCE_HIGH { contact.max(self.voltages[row].abs()) } else { contact }
            }
            Place::Buffers => 0.0,
        });
        let most = volts.fold(0.0, f64::max);
        if driven {
            let detail = format!("{names} moved while the source drove {:e} A", self.source.level);
            self.complain(ComplaintKind::HotSwitching, detail);
        } else if most > COLD_V {
            self.complain(ComplaintKind::HotSwitching, format!("{names} moved with {} on it", Volt(most)));
        }
        if self.position.input {
            self.complain(ComplaintKind::AmmeterOpen, format!("{names} moved"));
        }
        let shorted = |&column: &usize| {
            let closed = |row| self.position.closed.contains(&(row, column));
            let touched = |place: &Place| matches!(*place, Place::Relay(row, c) if c == column && row <= 1);
            closed(SOURCE_HIGH) && closed(RETURN_LOW) && moved.iter().any(touched)
        };
        let columns = self.parts.nodes() - CONTACTS;
        if let Some(column) = (0..columns).find(shorted) {
            let detail = format!("source and return are both on contact {}", column + 1);
            self.complain(ComplaintKind::SourceShorted, detail);
        }
    }

    /// Complains once when a limit is passed, again only after it was kept.
    fn judge_limits(&mut self) {
        let contacts = &self.voltages[CONTACTS..CONTACTS + self.formed.sample.count()];
        let volts: Vec<Volt> = contacts.iter().copied().map(Volt).collect();
        let currents = self.formed.sample.currents(&volts).unwrap_or_default();
        let power: f64 = contacts.iter().zip(&currents).map(|(v, i)| v * i.0).sum();
        let current = currents.iter().fold(0.0_f64, |m, i| m.max(i.0.abs()));
        let highest = contacts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let lowest = contacts.iter().copied().fold(f64::INFINITY, f64::min);
        let Limits { voltage: most_v, current: most_a, power: most_w } = self.limits;
        let judged = [
            (ComplaintKind::OverVoltage, highest - lowest, most_v, "V"),
            (ComplaintKind::OverCurrent, current, most_a, "A"),
            (ComplaintKind::OverPower, power, most_w, "W"),
        ];
        for (k, (kind, value, limit, unit)) in judged.into_iter().enumerate() {
            let exceeds = value > limit * LIMIT_MARGIN;
            if exceeds && !self.exceeded[k] {
                self.complain(kind, format!("{value:.6e} {unit} in the sample, {limit:e} {unit} is allowed"));
            }
            self.exceeded[k] = exceeds;
        }
    }

    fn complain(&mut self, kind: ComplaintKind, detail: String) {
        tracing::warn!(time_s = self.time, %kind, detail, "the simulated bench complains");
        self.complaints.push(Complaint { time_s: self.time, kind, detail });
    }
}
