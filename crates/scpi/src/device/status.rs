//! Status of a device: registers of IEEE 488.2, 11 and SCPI-1999 volume 1, 9, and the error queue. Knows no time:
//! the device says when operations begin and end.

use super::ScpiError;
use crate::errors::QUEUE_OVERFLOW;
use std::collections::VecDeque;

/// Bit of the status byte: the error queue is not empty.
const ERROR_QUEUE: u8 = 1 << 2;
/// Bit of the status byte: summary of QUEStionable.
const QUESTIONABLE: u8 = 1 << 3;
/// Bit of the status byte: an answer waits.
const MESSAGE_AVAILABLE: u8 = 1 << 4;
/// Bit of the status byte: summary of the standard event register.
const EVENT_SUMMARY: u8 = 1 << 5;
/// Bit of the status byte as `*STB?` gives it: master summary.
const MASTER_SUMMARY: u8 = 1 << 6;
/// Bit of the status byte: summary of OPERation.
const OPERATION: u8 = 1 << 7;
/// Bit of the standard event register: power was switched on.
const POWER_ON: u8 = 1 << 7;
/// Bit of the standard event register: all operations are complete.
const OPERATION_COMPLETE: u8 = 1;
/// Bit 15 of SCPI's registers is always zero.
const REGISTER_MASK: u16 = 0x7FFF;

/// Registers, filters and error queue of one device.
#[derive(Clone, Debug)]
pub struct Status {
    /// Standard event status register.
    pub(super) events: u8,
    /// Its enable register.
    pub(super) event_enable: u8,
    /// Service request enable register.
    pub(super) service_enable: u8,
    /// OPERation.
    pub operation: EventRegister,
    /// QUEStionable.
    pub questionable: EventRegister,
    queue: VecDeque<ScpiError>,
    capacity: usize,
    message_available: bool,
    operation_pending: bool,
    pub(super) completion_awaited: bool,
}

/// Condition, transition filters, event and enable registers of one part of the status.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EventRegister {
    condition: u16,
    event: u16,
    enable: u16,
    positive: u16,
    negative: u16,
}

impl Status {
    /// As after power on, with an error queue of `capacity` entries, at least two.
    pub fn new(capacity: usize) -> Self {
        Self {
            events: POWER_ON,
            event_enable: 0,
            service_enable: 0,
            operation: EventRegister::default(),
            questionable: EventRegister::default(),
            queue: VecDeque::new(),
            capacity: capacity.max(2),
            message_available: false,
            operation_pending: false,
            completion_awaited: false,
        }
    }

    /// Puts an error into the queue and sets its bit. When the queue is full the last entry becomes `-350` and the
    /// new one is lost.
    pub fn report(&mut self, error: ScpiError) {
        self.events |= error.event_bit();
        if self.queue.len() < self.capacity {
            self.queue.push_back(error);
        } else if let Some(last) = self.queue.back_mut() {
            *last = ScpiError::new(QUEUE_OVERFLOW);
            self.events |= last.event_bit();
        }
    }

    /// Takes the oldest error.
    pub fn next_error(&mut self) -> Option<ScpiError> {
        self.queue.pop_front()
    }

    /// Errors in the queue.
    pub fn error_count(&self) -> usize {
        self.queue.len()
    }

    /// `*CLS`: event registers, error queue and a pending `*OPC` are cleared; enables and conditions stay.
    pub fn clear(&mut self) {
        self.events = 0;
        self.queue.clear();
        self.completion_awaited = false;
        self.operation.event = 0;
        self.questionable.event = 0;
    }

    /// `STATus:PRESet`: enables to zero, every rise counts and no fall.
    pub fn preset(&mut self) {
        self.operation.preset();
        self.questionable.preset();
    }

    /// Device clear: a pending `*OPC` is forgotten; registers and queue stay (IEEE 488.2, 5.8).
    pub fn device_clear(&mut self) {
        self.completion_awaited = false;
        self.message_available = false;
    }

    /// Tells whether an operation that goes on by itself, such as a ramp, is under way. When it ends, a pending
    /// `*OPC` sets its bit.
    pub fn set_operation_pending(&mut self, pending: bool) {
        self.operation_pending = pending;
        if !pending && std::mem::take(&mut self.completion_awaited) {
            self.events |= OPERATION_COMPLETE;
        }
    }

    /// Whether an operation is under way.
    pub fn is_operation_pending(&self) -> bool {
        self.operation_pending
    }

    /// Tells whether an answer waits to be sent: of the same message, as far as a socket or a serial line goes.
    pub fn set_message_available(&mut self, available: bool) {
        self.message_available = available;
    }

    /// Sets the bit that says that all operations are complete, now or when they are.
    pub(super) fn await_completion(&mut self) {
        self.completion_awaited = true;
        if !self.operation_pending {
            self.set_operation_pending(false);
        }
    }

    /// The status byte with the master summary, as `*STB?` gives it.
    pub fn status_byte(&self) -> u8 {
        let bit = |is_set: bool, bit: u8| if is_set { bit } else { 0 };
        let byte = bit(!self.queue.is_empty(), ERROR_QUEUE)
            | bit(self.questionable.summary(), QUESTIONABLE)
            | bit(self.message_available, MESSAGE_AVAILABLE)
            | bit(self.events & self.event_enable != 0, EVENT_SUMMARY)
            | bit(self.operation.summary(), OPERATION);
        byte | bit(byte & self.service_enable != 0, MASTER_SUMMARY)
    }

    /// Reads the standard event register, which clears it.
    pub fn take_events(&mut self) -> u8 {
        std::mem::take(&mut self.events)
    }
}

impl Default for EventRegister {
    fn default() -> Self {
        Self { condition: 0, event: 0, enable: 0, positive: REGISTER_MASK, negative: 0 }
    }
}

impl EventRegister {
    /// Sets the condition; rises and falls that the filters let through become events.
    pub fn set_condition(&mut self, condition: u16) {
        let condition = condition & REGISTER_MASK;
        let rises = condition & !self.condition & self.positive;
        let falls = !condition & self.condition & self.negative;
        self.event |= rises | falls;
        self.condition = condition;
    }

    /// Sets or clears one bit of the condition, 0 to 14.
    pub fn set_condition_bit(&mut self, bit: u8, is_set: bool) {
        let mask = 1u16.checked_shl(u32::from(bit)).unwrap_or(0);
        self.set_condition(if is_set { self.condition | mask } else { self.condition & !mask });
    }

    /// The condition as it is.
    pub fn condition(&self) -> u16 {
        self.condition
    }

    /// Reads the events, which clears them.
    pub fn take_event(&mut self) -> u16 {
        std::mem::take(&mut self.event)
    }

    /// Whether an enabled event is set.
    pub fn summary(&self) -> bool {
        self.event & self.enable != 0
    }

    pub(super) fn enable(&mut self) -> &mut u16 {
        &mut self.enable
    }

    pub(super) fn positive(&mut self) -> &mut u16 {
        &mut self.positive
    }

    pub(super) fn negative(&mut self) -> &mut u16 {
        &mut self.negative
    }

    fn preset(&mut self) {
        (self.enable, self.positive, self.negative) = (0, REGISTER_MASK, 0);
    }
}
