//! What conversations and faults ask of the bench: messages carried out by devices, and what becomes of those.

use super::{Inner, SimulatedBench};
use crate::device::{self, Step};
use crate::fault::FaultKind;
use crate::identity;
use crate::wiring::Layout;
use quadrille_documents::{Crosspoint, Role};
use quadrille_scpi::device::{Response, ScpiError, Unit, errors, parse_message};

impl SimulatedBench {
    /// Carries out a program message without its newline; answers the response message, if there is one.
    pub(crate) async fn carry_out(&self, role: Role, message: &[u8]) -> Option<Vec<u8>> {
        if let Some(mirror) = self.mirrors.get(&role) {
            return self.carry_out_mirrored(role, mirror, message).await;
        }
        let mut response = Response::new();
        let mut is_ended = false;
        for unit in parse_message(message) {
            let outcome = match &unit {
                Ok(unit) if is_ended && unit.is_query => {
                    Err(ScpiError::new(errors::QUERY_UNTERMINATED_AFTER_INDEFINITE_RESPONSE))
                }
                Ok(unit) => {
                    is_ended |= device::ends_message(unit);
                    self.unit(role, unit, !response.is_empty()).await
                }
                Err(error) => Err(error.clone()),
            };
            if !self.goes_on(role, outcome, &mut response) {
                break;
            }
        }
        response.finish()
    }

    /// Puts what came of a unit into the response or the device's status; whether the message goes on.
    pub(crate) fn goes_on(
        &self,
        role: Role,
        outcome: Result<Option<String>, ScpiError>,
        response: &mut Response,
    ) -> bool {
        match outcome {
            Ok(Some(answer)) => response.push(answer),
            Ok(None) => {}
            Err(error) => {
                // After a command error the parser is no longer sure of what follows (IEEE 488.2, 6.1.6.1.1).
                let is_command_error = (-199..=-100).contains(&error.code);
                self.report(role, error);
                return !is_command_error;
            }
        }
        true
    }

    /// Reports an error to a device's status.
    pub(crate) fn report(&self, role: Role, error: ScpiError) {
        tracing::debug!(%role, %error, "the virtual instrument reports an error");
        self.lock().device(role).status().report(error);
    }

    /// Whether a device is taking a reading.
    pub(crate) fn is_reading(&self, role: Role) -> bool {
        self.lock().device(role).pending_until().is_some()
    }

    /// As after power on, settings and status.
    pub(crate) fn reboot(&self, role: Role) {
        let mut inner = self.lock();
        let now = inner.now();
        let place = inner.place(role);
        let Inner { world, devices, .. } = &mut *inner;
        let device = &mut devices[place];
        device.clear(world);
        device.reset(world);
        *device.status() = device::powered_on();
        device.apply(now, world);
    }

    /// Another instrument was told to do something.
    pub(crate) fn stranger_told(&self, role: Role, what: &str) {
        let mut inner = self.lock();
        let now = inner.now();
        inner.world.stranger_told(now, role, what);
    }

    /// The instruments that the bench has.
    pub(crate) fn roles(&self) -> Vec<Role> {
        self.lock().devices.iter().map(|device| device.role()).collect()
    }

    /// Every crosspoint of the sample's rows and columns, row by row.
    pub(crate) fn crosspoints(&self) -> Vec<Crosspoint> {
        self.lock().world.parts().crosspoints()
    }

    pub(crate) fn has(&self, crosspoint: Crosspoint) -> bool {
        self.lock().world.parts().place(crosspoint).is_some()
    }

    /// Why the bench cannot show a fault of its wiring, its standard or an instrument itself.
    pub(crate) fn can_show(&self, kind: &FaultKind) -> Result<(), String> {
        let mut inner = self.lock();
        if let FaultKind::Wiring(fault) = kind {
            inner.world.parts().can_have(fault)?;
        }
        inner.device(kind.role()).can_show(kind)
    }

    /// Lets wiring, standard and instruments be as the faults in force have them.
    pub(crate) fn take_wiring(&self) {
        let mut inner = self.lock();
        let now = inner.now();
        inner.follow();
        let layout = Layout::with(inner.world.parts().wired(), self.faults.of_wiring());
        let Inner { world, devices, .. } = &mut *inner;
        if let Err(error) = world.lay(now, layout) {
            // Factors are above zero and finite: what conducted does so with them.
            tracing::error!(%error, "the wiring is left as it was");
        }
        // Source, meters and matrix.
        for device in devices.iter_mut().take(4) {
            device.apply(now, world);
        }
    }

    /// Forgets a reading under way.
    pub(crate) fn clear(&self, role: Role) {
        let mut inner = self.lock();
        let place = inner.place(role);
        let Inner { world, devices, .. } = &mut *inner;
        let device = &mut devices[place];
        device.clear(world);
        device.status().device_clear();
    }

    /// Nobody talks to a device any more.
    pub(crate) fn abandoned(&self, role: Role) {
        let mut inner = self.lock();
        let now = inner.now();
        inner.follow();
        if role == Role::CurrentSource {
            inner.world.source_abandoned(now);
        }
        drop(inner);
        for kind in self.left_on().into_iter().filter(|kind| kind.instrument() == role) {
            self.lock().world.complain_at(now, kind, "nobody is there".to_owned());
        }
    }

    /// Carries out one unit in the device's own words.
    pub(crate) async fn unit(
        &self,
        role: Role,
        unit: &Unit,
        has_answer: bool,
    ) -> Result<Option<String>, ScpiError> {
        // Instants are whole nanoseconds: one that was waited for has come, even where it is rounded down.
        let mut earliest = 0.0;
        if let Some(outcome) = self.spoilt(role, unit) {
            return outcome;
        }
        loop {
            let (step, now, operate_s) = {
                let mut inner = self.lock();
                let now = inner.now().max(earliest);
                inner.follow();
                let place = inner.place(role);
                let Inner { world, devices, .. } = &mut *inner;
                let device = devices[place].as_mut();
                device.status().set_message_available(has_answer);
                (device::begin(device, unit, now, world)?, now, device.operate_s())
            };
            match step {
                Step::Done(answer) if device::ends_message(unit) => {
                    let pattern = self.identities.get(&role).map(String::as_str);
                    return Ok(answer.map(|own| identity::named(pattern, own)));
                }
                Step::Done(answer) => return Ok(answer),
                Step::Operate => {
                    self.wait_until(now + operate_s).await;
                    let mut inner = self.lock();
                    let now = inner.now();
                    inner.follow();
                    let place = inner.place(role);
                    let Inner { world, devices, .. } = &mut *inner;
                    devices[place].apply(now, world);
                    return Ok(None);
                }
                Step::Reading(end) => {
                    self.wait_until(end).await;
                    let mut inner = self.lock();
                    let now = inner.now().max(end);
                    inner.follow();
                    let place = inner.place(role);
                    let Inner { world, devices, .. } = &mut *inner;
                    return devices[place].reading(now, world).map(Some);
                }
                Step::Later(time) => {
                    self.wait_until(time).await;
                    earliest = time;
                }
            }
        }
    }
}
