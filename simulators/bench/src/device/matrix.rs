//! The virtual switch matrix.

use super::{Device, ERROR_QUEUE, Step, commands};
use crate::fault_board::Board;
use crate::parts::Place;
use crate::world::World;
use quadrille_documents::{Crosspoint, Role};
use quadrille_scpi::ChannelList;
use quadrille_scpi::device::{CommandSet, Form, ScpiError, Status, Unit, boolean, errors};
use std::collections::BTreeSet;
use std::sync::{Arc, LazyLock};

#[derive(Clone, Copy)]
enum Command {
    Close,
    State,
    Open,
    OpenAll,
}

static COMMANDS: LazyLock<CommandSet<Command>> = LazyLock::new(|| {
    commands(&[
        ("[ROUTe:]CLOSe", Form::Both, Command::Close),
        ("[ROUTe:]CLOSe:STATe", Form::Query, Command::State),
        ("[ROUTe:]OPEN", Form::Command, Command::Open),
        ("[ROUTe:]OPEN:ALL", Form::Command, Command::OpenAll),
    ])
});

/// Settings and status of the matrix.
pub(crate) struct Matrix {
    status: Status,
    faults: Arc<Board>,
    operate_s: f64,
    /// As set; the relays follow.
    closed: BTreeSet<Crosspoint>,
}

impl Matrix {
    /// As after power on: everything open.
    pub(crate) fn new(faults: Arc<Board>, operate_s: f64) -> Self {
        Self { status: Status::new(ERROR_QUEUE), faults, operate_s, closed: BTreeSet::new() }
    }
}

impl Device for Matrix {
    fn role(&self) -> Role {
        Role::SwitchMatrix
    }

    fn status(&mut self) -> &mut Status {
        &mut self.status
    }

    fn operate_s(&self) -> f64 {
        self.operate_s
    }

    fn catch_up(&mut self, _unit: &Unit, _now: f64, _world: &mut World) {}

    fn execute(&mut self, unit: &Unit, _now: f64, world: &mut World) -> Result<Step, ScpiError> {
        match (COMMANDS.find(unit)?, unit.is_query) {
            (Command::Close, false) => self.closed.extend(named(unit, world)?),
            (Command::Open, _) => {
                for crosspoint in named(unit, world)? {
                    self.closed.remove(&crosspoint);
                }
            }
            (Command::OpenAll, _) => {
                unit.expect_none()?;
                self.closed.clear();
            }
            (Command::Close, true) => {
                let is_closed = |crosspoint| boolean(self.closed.contains(crosspoint));
                let answers: Vec<String> = named(unit, world)?.iter().map(is_closed).collect();
                return Ok(Step::Done(Some(answers.join(","))));
            }
            (Command::State, _) => {
                unit.expect_none()?;
                let closed = self.closed.iter().map(|c| (u32::from(c.row), u32::from(c.column)));
                return Ok(Step::Done(Some(ChannelList::crosspoints(closed).to_string())));
            }
        }
        Ok(Step::Operate)
    }

    fn apply(&mut self, now: f64, world: &mut World) {
        let places = |closed: &BTreeSet<Crosspoint>| -> BTreeSet<Place> {
            closed.iter().filter_map(|&crosspoint| world.parts().place(crosspoint)).collect()
        };
        let present = world.closed();
        let closed = present.iter().filter_map(|&place| world.parts().crosspoint(place)).collect();
        let wanted = places(&self.faults.relays_that_close(&self.closed, &closed));
        let opens = present.difference(&wanted).map(|&place| (place, false));
        let closes = wanted.difference(&present).map(|&place| (place, true));
        let moves: Vec<(Place, bool)> = opens.chain(closes).collect();
        world.switch(now, &moves);
    }

    fn reset(&mut self, _world: &mut World) {
        self.closed.clear();
    }
}

/// The crosspoints of a unit's channel list, all of which exist.
fn named(unit: &Unit, world: &World) -> Result<Vec<Crosspoint>, ScpiError> {
    unit.expect(1..=1)?;
    let list = unit.channels(0)?;
    let missing = |what: String| ScpiError::with(errors::DATA_OUT_OF_RANGE, what);
    let pairs = list.as_crosspoints().ok_or_else(|| missing(list.to_string()))?;
    let find = |(row, column): (u32, u32)| {
        let crosspoint = Crosspoint { row: row.try_into().ok()?, column: column.try_into().ok()? };
        world.parts().place(crosspoint).map(|_| crosspoint)
    };
    pairs
        .into_iter()
        .map(|pair| find(pair).ok_or_else(|| missing(format!("{}!{}", pair.0, pair.1))))
        .collect()
}
