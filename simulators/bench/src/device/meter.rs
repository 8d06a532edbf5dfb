//! The virtual voltmeter and the virtual ammeter: one kind of instrument on two quantities.

use super::{Device, ERROR_QUEUE, Step, commands, range, range_limits};
use crate::accuracy::Accuracy;
use crate::draw::Purpose;
use crate::fault::FaultKind;
use crate::fault_board::Board;
use crate::wiring::MeterFault;
use crate::world::{Quantity, WindowId, World};
use quadrille_documents::Role;
use quadrille_scpi::device::{
    CommandSet, Family, Form, Limits, ScpiError, Status, Unit, boolean, errors, real, real_with_decimals,
};
use std::collections::HashMap;
use std::sync::{Arc, LazyLock};

/// Averaging time in power-line cycles: smallest, largest, after power on (common practice, no source).
const APERTURE: Limits = Limits { family: Family::None, minimum: 0.01, maximum: 100.0, default: 1.0 };

/// Digits after the point in a reading.
const DECIMALS: usize = 9;

/// Bit of the operation register: measuring (SCPI-1999 volume 1, 9.3, from memory).
const MEASURING: u8 = 4;

#[derive(Clone, Copy)]
enum Command {
    Range,
    Aperture,
    Initiate,
    Fetch,
    Read,
    Abort,
    Input,
}

type Entry = (&'static str, Form, Command);

const OF_BOTH: [Entry; 5] = [
    ("INITiate[:IMMediate]", Form::Command, Command::Initiate),
    ("*TRG", Form::Command, Command::Initiate),
    ("FETCh", Form::Query, Command::Fetch),
    ("READ", Form::Query, Command::Read),
    ("ABORt", Form::Command, Command::Abort),
];

static VOLTMETER: LazyLock<CommandSet<Command>> = LazyLock::new(|| {
    let own: [Entry; 2] = [
        ("[SENSe:]VOLTage[:DC]:RANGe[:UPPer]", Form::Both, Command::Range),
        ("[SENSe:]VOLTage[:DC]:NPLCycles", Form::Both, Command::Aperture),
    ];
    commands(&[&own[..], &OF_BOTH].concat())
});

static AMMETER: LazyLock<CommandSet<Command>> = LazyLock::new(|| {
    let own: [Entry; 3] = [
        ("[SENSe:]CURRent[:DC]:RANGe[:UPPer]", Form::Both, Command::Range),
        ("[SENSe:]CURRent[:DC]:NPLCycles", Form::Both, Command::Aperture),
        ("INPut[:STATe]", Form::Both, Command::Input),
    ];
    commands(&[&own[..], &OF_BOTH].concat())
});

/// What a meter measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Voltage of the sense rows.
    Voltmeter,
    /// Current in the return lead.
    Ammeter,
}

/// A reading under way.
struct Pending {
    window: WindowId,
    end: f64,
    state: Purpose,
    /// Johnson noise of what it began on, standard deviation in volts or amperes.
    johnson: f64,
}

/// Settings and status of a meter.
pub(crate) struct Meter {
    kind: Kind,
    seed: u64,
    status: Status,
    faults: Arc<Board>,
    accuracy: Accuracy,
    operate_s: f64,
    mains_hz: f64,
    range: usize,
    aperture_plc: f64,
    input: bool,
    pending: Option<Pending>,
    last: Option<f64>,
    times_read: HashMap<[u8; 32], u64>,
}

impl Meter {
    /// As after power on.
    pub(crate) fn new(
        kind: Kind,
        seed: u64,
        faults: Arc<Board>,
        accuracy: Accuracy,
        (operate_s, mains_hz): (f64, f64),
    ) -> Self {
        Self {
            kind,
            seed,
            status: Status::new(ERROR_QUEUE),
            faults,
            range: accuracy.largest(),
            accuracy,
            operate_s,
            mains_hz,
            aperture_plc: APERTURE.default,
            input: false,
            pending: None,
            last: None,
            times_read: HashMap::new(),
        }
    }

    fn family(&self) -> Family {
        match self.kind {
            Kind::Voltmeter => Family::Volt,
            Kind::Ammeter => Family::Ampere,
        }
    }

    fn quantity(&self) -> Quantity {
        match self.kind {
            Kind::Voltmeter => Quantity::Voltage,
            Kind::Ammeter => Quantity::Current,
        }
    }

    fn aperture_s(&self) -> f64 {
        self.aperture_plc / self.mains_hz
    }

    /// Begins a reading now; answers when it ends.
    fn initiate(&mut self, now: f64, world: &mut World) -> f64 {
        world.advance(now);
        let end = now + self.aperture_s();
        let window = world.begin_window(self.quantity(), now, end);
        let state = world
            .describe(Purpose::new(self.seed, "noise").word(self.role().word()))
            .whole(self.range as u64)
            .real(self.aperture_plc);
        let johnson = match self.kind {
            Kind::Voltmeter => world.johnson_v(self.aperture_s()),
            Kind::Ammeter => world.johnson_a(self.aperture_s()),
        };
        self.pending = Some(Pending { window, end, state, johnson });
        self.last = None;
        self.set_measuring(true);
        end
    }

    /// Takes in a reading whose time is over.
    fn collect(&mut self, now: f64, world: &mut World) {
        let Some(pending) = self.pending.take_if(|pending| pending.end <= now) else { return };
        world.advance(now);
        let times = self.times_read.entry(pending.state.digest()).or_default();
        let noise = pending.state.whole(*times);
        *times += 1;
        let johnson = pending.johnson;
        let thermal = if johnson > 0.0 { johnson * noise.clone().word("johnson").normal() } else { 0.0 };
        self.last = world.end_window(pending.window).map(|mean| self.show(mean + thermal, &noise));
        self.set_measuring(false);
    }

    /// What it answers for a mean, with what is wrong with it.
    fn show(&self, mean: f64, noise: &Purpose) -> f64 {
        let wrong = self.faults.of_meter(self.role());
        if wrong.is_overloaded {
            return f64::INFINITY.copysign(wrong.sign * mean);
        }
        let range = wrong.stays_on.map_or(self.range, |size| self.accuracy.range_for(size));
        let noise = (noise, wrong.noisier);
        let shown = self.accuracy.read(range, wrong.sign * mean, self.aperture_s(), noise);
        shown * wrong.gain + self.faults.wild(self.role())
    }

    fn abort(&mut self, world: &mut World) {
        if let Some(pending) = self.pending.take() {
            world.abandon_window(pending.window);
        }
        self.set_measuring(false);
    }

    fn set_measuring(&mut self, measuring: bool) {
        self.status.set_operation_pending(measuring);
        self.status.operation.set_condition_bit(MEASURING, measuring);
    }

    fn set(&mut self, command: Command, unit: &Unit) -> Result<(), ScpiError> {
        unit.expect(1..=1)?;
        match command {
            Command::Range => self.range = range(unit, &self.accuracy, self.family())?,
            Command::Aperture => self.aperture_plc = unit.number(0, &APERTURE)?,
            _ => self.input = unit.boolean(0)?,
        }
        Ok(())
    }

    fn ask(&self, command: Command, unit: &Unit) -> Result<String, ScpiError> {
        let limited = |limits: &Limits, value: f64| -> Result<String, ScpiError> {
            Ok(real(unit.named_limit(limits)?.unwrap_or(value)))
        };
        match command {
            Command::Range => {
                limited(&range_limits(&self.accuracy, self.family()), self.accuracy.full_scale(self.range))
            }
            Command::Aperture => limited(&APERTURE, self.aperture_plc),
            _ => unit.expect_none().map(|()| boolean(self.input)),
        }
    }
}

impl Device for Meter {
    fn role(&self) -> Role {
        match self.kind {
            Kind::Voltmeter => Role::Voltmeter,
            Kind::Ammeter => Role::Ammeter,
        }
    }

    fn can_show(&self, fault: &FaultKind) -> Result<(), String> {
        let largest = self.accuracy.full_scale(self.accuracy.largest());
        match fault {
            FaultKind::Meter(_, MeterFault::Range(size)) if *size > largest * (1.0 + 1e-9) => {
                Err(format!("its largest range holds {largest:e}"))
            }
            FaultKind::Meter(_, MeterFault::Noisy(_)) if !self.accuracy.is_noisy() => {
                Err("it has no noise: its dialect says so".to_owned())
            }
            _ => Ok(()),
        }
    }

    fn status(&mut self) -> &mut Status {
        &mut self.status
    }

    fn operate_s(&self) -> f64 {
        self.operate_s
    }

    fn catch_up(&mut self, _unit: &Unit, now: f64, world: &mut World) {
        self.collect(now, world);
    }

    fn execute(&mut self, unit: &Unit, now: f64, world: &mut World) -> Result<Step, ScpiError> {
        let commands = match self.kind {
            Kind::Voltmeter => &VOLTMETER,
            Kind::Ammeter => &AMMETER,
        };
        let command = commands.find(unit)?;
        match (command, unit.is_query) {
            (Command::Range | Command::Aperture | Command::Input, true) => {
                self.ask(command, unit).map(|answer| Step::Done(Some(answer)))
            }
            (Command::Range | Command::Aperture | Command::Input, false) => {
                self.set(command, unit)?;
                // A reading under other settings is no reading.
                self.abort(world);
                self.last = None;
                Ok(Step::Operate)
            }
            (Command::Initiate, _) => {
                unit.expect_none()?;
                if self.pending.is_some() {
                    return Err(ScpiError::new(errors::INIT_IGNORED));
                }
                self.initiate(now, world);
                Ok(Step::Done(None))
            }
            (Command::Abort, _) => {
                unit.expect_none()?;
                self.abort(world);
                Ok(Step::Done(None))
            }
            (Command::Read, _) => {
                unit.expect_none()?;
                self.abort(world);
                Ok(Step::Reading(self.initiate(now, world)))
            }
            (Command::Fetch, _) => {
                unit.expect_none()?;
                match (&self.pending, self.last) {
                    (Some(pending), _) => Ok(Step::Reading(pending.end)),
                    (None, Some(_)) => Ok(Step::Reading(now)),
                    (None, None) => Err(ScpiError::new(errors::DATA_CORRUPT_OR_STALE)),
                }
            }
        }
    }

    fn apply(&mut self, now: f64, world: &mut World) {
        let measures = self.input && !self.faults.of_meter(Role::Ammeter).is_shorted;
        if self.kind == Kind::Ammeter && world.position().input != measures {
            world.set_input(now, measures);
        }
    }

    fn reset(&mut self, world: &mut World) {
        self.abort(world);
        self.last = None;
        self.times_read.clear();
        self.range = self.accuracy.largest();
        (self.aperture_plc, self.input) = (APERTURE.default, false);
    }

    fn pending_until(&self) -> Option<f64> {
        self.pending.as_ref().map(|pending| pending.end)
    }

    fn reading(&mut self, now: f64, world: &mut World) -> Result<String, ScpiError> {
        self.collect(now, world);
        let value = self.last.ok_or_else(|| ScpiError::new(errors::DATA_CORRUPT_OR_STALE))?;
        Ok(real_with_decimals(value, DECIMALS))
    }

    fn clear(&mut self, world: &mut World) {
        self.abort(world);
    }
}
