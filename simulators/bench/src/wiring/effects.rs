//! What of the faults in force a meter, the source and the wiring are to show, and which of them a bench can.

use super::{MeterFault, SourceFault, WiringFault};
use crate::fault::FaultKind;
use crate::fault_board::Board;
use crate::parts::{Held, Parts};
use quadrille_documents::Role;

/// What is wrong with a meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct WrongMeter {
    pub(crate) is_shorted: bool,
    pub(crate) is_overloaded: bool,
    /// Volts or amperes that its range holds, where it stays on one.
    pub(crate) stays_on: Option<f64>,
    pub(crate) sign: f64,
    pub(crate) gain: f64,
    pub(crate) noisier: f64,
}

/// What is wrong with the source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct WrongSource {
    /// In volts.
    pub(crate) most_limit: f64,
    pub(crate) sign: f64,
}

impl Board {
    /// What is wrong with the wiring and the standard, in the order in which it was injected.
    pub(crate) fn of_wiring(&self) -> Vec<WiringFault> {
        self.each(|kind| match *kind {
            FaultKind::Wiring(fault) => Some(fault),
            _ => None,
        })
    }

    /// What is wrong with a meter, but for answers that are wild.
    pub(crate) fn of_meter(&self, role: Role) -> WrongMeter {
        let right = WrongMeter {
            is_shorted: false,
            is_overloaded: false,
            stays_on: None,
            sign: 1.0,
            gain: 1.0,
            noisier: 1.0,
        };
        let faults = self.each(|kind| match *kind {
            FaultKind::Meter(of, fault) if of == role => Some(fault),
            _ => None,
        });
        faults.into_iter().fold(right, |wrong, fault| match fault {
            MeterFault::Shorted => WrongMeter { is_shorted: true, ..wrong },
            MeterFault::Overloaded => WrongMeter { is_overloaded: true, ..wrong },
            MeterFault::Range(size) => WrongMeter { stays_on: Some(size), ..wrong },
            MeterFault::Reversed => WrongMeter { sign: -wrong.sign, ..wrong },
            MeterFault::Gain(factor) => WrongMeter { gain: wrong.gain * factor, ..wrong },
            MeterFault::Noisy(factor) => WrongMeter { noisier: wrong.noisier * factor, ..wrong },
            MeterFault::Wild(_) => wrong,
        })
    }

    /// How much this answer of a meter is off by: an occasion for the fault.
    pub(crate) fn wild(&self, role: Role) -> f64 {
        let found = self.strike(|kind| match *kind {
            FaultKind::Meter(of, MeterFault::Wild(size)) if of == role => Some(size),
            _ => None,
        });
        found.unwrap_or(0.0)
    }

    /// What is wrong with the source.
    pub(crate) fn of_source(&self) -> WrongSource {
        let faults = self.each(|kind| match *kind {
            FaultKind::Source(fault) => Some(fault),
            _ => None,
        });
        let right = WrongSource { most_limit: f64::INFINITY, sign: 1.0 };
        faults.into_iter().fold(right, |wrong, fault| match fault {
            SourceFault::Limited(volt) => WrongSource { most_limit: wrong.most_limit.min(volt), ..wrong },
            SourceFault::Reversed => WrongSource { sign: -wrong.sign, ..wrong },
        })
    }
}

impl Parts {
    /// Why a fault would change nothing here.
    pub(crate) fn can_have(&self, fault: &WiringFault) -> Result<(), String> {
        if let Some(contact) = fault.contacts().find(|contact| self.at(contact.index()).is_none()) {
            let contacts: usize = self.samples.iter().map(Held::contacts).sum();
            return Err(format!("the sample has {contacts} contacts, and {contact} is none of them"));
        }
        match fault {
            WiringFault::GuardBroken if !self.has_guard() => Err("it has no guard".to_owned()),
            WiringFault::BuffersOut if !self.has_buffers() => Err("it has no buffers".to_owned()),
            WiringFault::Resistor(..) | WiringFault::Scaled(_) => match self.resistors() {
                None => Err("the sample is no network of resistors".to_owned()),
                Some(count) => match fault {
                    WiringFault::Resistor(number, _) if *number > count => {
                        Err(format!("the network has {count} resistors"))
                    }
                    _ => Ok(()),
                },
            },
            _ => Ok(()),
        }
    }
}
