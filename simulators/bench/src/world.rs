//! The electrical world in time: voltages that relax after every change, a source with its voltage limit, averages
//! over windows, and complaints. Time is given from outside, in seconds; knows no command and no instrument's error.

mod barrier;
mod disturbance;
mod judge;
mod limit;
mod response;
mod stretch;
mod window;

pub(crate) use window::{Quantity, WindowId};

use crate::SimulationError;
use crate::complaint::Complaint;
use crate::draw::Purpose;
use crate::parts::{Drive, Formed, Lined, Parts, Place, Position, SENSE_HIGH, SENSE_LOW, SOURCE_HIGH};
use crate::wiring::Layout;
use quadrille_quantity::{Kelvin, Tesla};
use quadrille_specimen::SpecimenError;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;
use stretch::Approach;
use window::Window;

/// Circuits kept; a field ramp would otherwise keep one for every step.
const MOST_FORMED: usize = 256;

/// Changes of mode within one stretch of time; more would be the model's own mistake.
const MOST_CROSSINGS: usize = 64;

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

/// What a sample has come to.
#[derive(Clone, Debug)]
struct Memory {
    /// How much warmer it is than what is around it, in kelvins.
    warmth: f64,
    /// Currents into its contacts as its temperature differences follow them, in amperes.
    lagging: Vec<f64>,
    /// Which of its limits are passed.
    exceeded: [bool; 3],
}

impl Memory {
    fn new(contacts: usize) -> Self {
        Self { warmth: 0.0, lagging: vec![0.0; contacts], exceeded: [false; 3] }
    }
}

/// How the source stands to its limit; the voltages between which it drives the set current are those of
/// i = clamp(current, (−limit − v) S, (limit − v) S), which is continuous.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Mode {
    Off,
    Free,
    AtLimit { positive: bool },
}

/// Bench and samples as one circuit, at one time.
pub(crate) struct World {
    parts: Parts,
    position: Position,
    source: Source,
    mode: Mode,
    formed: Arc<Formed>,
    kept: HashMap<Position, Arc<Formed>>,
    /// Two voltages of each barrier, through which the line is drawn that stands for it.
    lines: Vec<[f64; 2]>,
    lined: Arc<Lined>,
    /// The last stride that barriers allowed, in seconds.
    barrier_stride: f64,
    time: f64,
    voltages: Vec<f64>,
    windows: BTreeMap<WindowId, Window>,
    windows_begun: u64,
    /// Temperature and field around the samples.
    surrounding: (Kelvin, Tesla),
    samples: Vec<Memory>,
    /// The source on its way to a current.
    approach: Option<Approach>,
    limit_reached: bool,
    complaints: Vec<Complaint>,
}

impl World {
    /// Everything at rest at time zero.
    pub(crate) fn new(
        parts: Parts,
        source: Source,
        (temperature, field): (Kelvin, Tesla),
    ) -> Result<Self, SpecimenError> {
        let position = Position::at_rest(parts.samples.len(), temperature, field);
        let formed = Arc::new(parts.form(&position)?);
        let lines = vec![[0.0; 2]; parts.junctions.len()];
        let lined = parts.circuit(&formed, &position, &lines)?;
        Ok(Self {
            voltages: lined.background.clone(),
            lines,
            lined,
            barrier_stride: f64::INFINITY,
            samples: parts.samples.iter().map(|held| Memory::new(held.contacts())).collect(),
            kept: HashMap::from([(position.clone(), Arc::clone(&formed))]),
            parts,
            position,
            source,
            mode: Mode::Off,
            formed,
            time: 0.0,
            windows: BTreeMap::new(),
            windows_begun: 0,
            surrounding: (temperature, field),
            approach: None,
            limit_reached: false,
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

    /// Temperature of the first sample, or of where one would be.
    pub(crate) fn temperature(&self) -> Kelvin {
        self.position.conditions.first().map_or(self.surrounding.0, |condition| condition.temperature())
    }

    /// Whether the source is held by its voltage limit.
    pub(crate) fn is_at_limit(&self) -> bool {
        matches!(self.mode, Mode::AtLimit { .. })
    }

    /// Whether it was since this was last asked.
    pub(crate) fn take_limit_reached(&mut self) -> bool {
        let is_at_limit = self.is_at_limit();
        std::mem::replace(&mut self.limit_reached, is_at_limit)
    }

    /// Everything that is closed.
    pub(crate) fn closed(&self) -> BTreeSet<Place> {
        let relays = self.position.closed.iter().map(|&(row, column)| Place::Relay(row, column));
        relays.chain(self.position.buffers.then_some(Place::Buffers)).collect()
    }

    /// Adds to a purpose what is measured: what is closed, and how source, guard, ammeter and field are set.
    pub(crate) fn describe(&self, purpose: Purpose) -> Purpose {
        let Position { closed, buffers, guard, input, field, .. } = &self.position;
        let purpose = closed.iter().fold(purpose.whole(closed.len() as u64), |purpose, &(row, column)| {
            purpose.whole(row as u64).whole(column as u64)
        });
        let switches = [*buffers, *guard, *input, self.source.on];
        let purpose = switches.into_iter().fold(purpose, |purpose, is_on| purpose.whole(is_on.into()));
        purpose.real(self.source.level).real(f64::from_bits(*field))
    }

    /// Lets time pass. Time that has already passed does not come back.
    pub(crate) fn advance(&mut self, to: f64) {
        while self.time < to {
            let bounds = self.windows.values().flat_map(|window| [window.start, window.end]);
            let next = bounds.filter(|&bound| bound > self.time).fold(to, f64::min);
            let stride = self.stride(next - self.time);
            // The last stride ends where it should, to the bit; none is too short for the clock to move.
            let end = if stride < next - self.time { self.time + stride } else { next };
            self.pass(end.max(self.time.next_up()).min(next));
            // Not within: what a cable gives off in nanoseconds is no misuse, however finely it is followed.
            if self.time >= next {
                self.judge_limits();
            }
        }
    }

    /// Sets the source.
    pub(crate) fn set_source(&mut self, time: f64, source: Source) {
        self.advance(time);
        let flows = if self.source.on { self.flows(0.0) } else { 0.0 };
        self.source = source;
        self.begin_approach(flows);
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

    /// Lets leads run otherwise; where the sample has no circuit then, nothing is changed.
    pub(crate) fn lay(&mut self, time: f64, layout: Layout) -> Result<(), SimulationError> {
        if self.parts.layout == layout {
            return Ok(());
        }
        self.advance(time);
        self.parts.lay(layout)?;
        self.voltages.resize(self.parts.nodes(), 0.0);
        for (node, other, _) in self.parts.leads() {
            self.voltages[node] = self.voltages[other];
        }
        self.kept.clear();
        self.rearrange();
        Ok(())
    }

    /// Sets the field at the present temperature.
    pub(crate) fn set_field(&mut self, time: f64, field: Tesla) -> Result<(), SpecimenError> {
        self.set_surroundings(time, self.surrounding.0, field)
    }

    /// Sets the samples' temperature and the field; where one has no circuit there, nothing is changed.
    pub(crate) fn set_surroundings(
        &mut self,
        time: f64,
        temperature: Kelvin,
        field: Tesla,
    ) -> Result<(), SpecimenError> {
        self.advance(time);
        let around = (temperature, field);
        let mut position = Position { field: field.0.to_bits(), ..self.position.clone() };
        for (condition, sample) in position.conditions.iter_mut().zip(&self.samples) {
            condition.set_temperature(Kelvin(temperature.0 + sample.warmth));
        }
        let formed = match self.kept.get(&position) {
            Some(formed) => Arc::clone(formed),
            None => Arc::new(self.parts.form(&position)?),
        };
        self.keep(position.clone(), formed);
        self.position = position;
        self.surrounding = around;
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

    /// After a change: voltages go on from where they are, in the circuit and mode that now apply.
    fn rearrange(&mut self) {
        self.mode = if self.source.on {
            let volt = self.voltages[SOURCE_HIGH];
            let [low, high] = self.free_span(0.0);
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
        self.limit_reached |= self.is_at_limit();
        self.position.drive = match self.mode {
            Mode::Off => Drive::Off,
            Mode::Free => Drive::Current,
            Mode::AtLimit { .. } => Drive::Clamp,
        };
        let formed = match self.kept.get(&self.position) {
            Some(formed) => Ok(Arc::clone(formed)),
            None => self.parts.form(&self.position).map(Arc::new),
        };
        let circuit = formed.and_then(|formed| {
            Ok((Arc::clone(&formed), self.parts.circuit(&formed, &self.position, &self.lines)?))
        });
        match circuit {
            Ok((formed, lined)) => (self.formed, self.lined) = (formed, lined),
            // Every node has insulation and capacitance to ground, and the field was tried when it was set.
            Err(error) => unreachable!("a circuit that cannot be formed: {error}"),
        }
        self.keep(self.position.clone(), Arc::clone(&self.formed));
    }

    fn keep(&mut self, position: Position, formed: Arc<Formed>) {
        if self.kept.len() >= MOST_FORMED {
            self.kept.clear();
        }
        self.kept.insert(position, formed);
    }

    /// A stretch without the end of a window inside.
    fn pass(&mut self, to: f64) {
        let from = self.time;
        let mut volt_seconds = 0.0;
        let mut coulombs = 0.0;
        for _ in 0..MOST_CROSSINGS {
            let left = to - self.time;
            let whole = self.respond(left);
            let (response, took, mode) = match self.crossing(left, &whole) {
                Some((response, took, mode)) => (response, took, Some(mode)),
                None => (whole, left, None),
            };
            volt_seconds += response.integrals[SENSE_HIGH] - response.integrals[SENSE_LOW];
            coulombs += self.charge(&response, took);
            self.voltages = response.voltages;
            self.time += took;
            let Some(mode) = mode else { break };
            self.mode = mode;
            self.take_circuit();
        }
        self.time = to;
        volt_seconds += self.disturb(from, to) + self.follow(to - from);
        let inside = |window: &&mut Window| window.start <= from && window.end >= to;
        for window in self.windows.values_mut().filter(inside) {
            window.integral += match window.quantity {
                Quantity::Voltage => volt_seconds,
                Quantity::Current => coulombs,
            };
        }
    }
}

#[cfg(test)]
mod added_tests;
#[cfg(test)]
mod barrier_tests;
#[cfg(test)]
mod samples_tests;
#[cfg(test)]
mod slow_tests;
#[cfg(test)]
mod test_support;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod transition_tests;
