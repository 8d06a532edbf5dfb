//! What a person can have done, each once: check documents, predict, open a bench real or simulated, verify, rehearse,
//! measure, reduce, export. The one room that puts documents, links, drivers, scheduler and journal together; it knows
//! no terminal and no HTTP.

mod carry_out;
mod contacts;
mod control;
mod error;
mod load;
mod measure;
mod open;
mod predict;
mod rack;
mod record;
mod records;
mod reduce;
mod rehearse;
mod simulated;
mod verify;

pub use contacts::{SampleContacts, contacts};
pub use control::{Control, Reply, command};
pub use error::Error;
pub use load::{Inputs, check, equipped};
pub use measure::{Hands, Measured, measure, measure_with, plan, resume};
pub use predict::{Predicted, predict};
pub use rack::{AtRest, Heard, Rack, never, stand_down};
pub use record::{Begun, Observer};
pub use records::{Entry, Kept, Placed, Records, RunId, RunLine};
pub use reduce::{Gap, Point, Reduction, reduce};
pub use rehearse::{Rehearsed, estimate, estimated, rehearse, rehearse_with};
pub use simulated::{Served, ServedDevice, Simulation, SimulationOptions, documents_at};
pub use verify::{
    Conclusion, Depth, Proof, Size, Smallest, Strength, Suspect, Told, Verified, rehearse_proof, strength,
    verify,
};

pub use quadrille_bench::{ArmedFault, Complaint, ComplaintKind, Fault, FaultEvent, Happened};
pub use quadrille_documents::{Faults, Switch};
pub use quadrille_experiment::{Circumstances, Configuration, Event, Reading, Unreached};
pub use quadrille_plan::{Judgement, Plan, Purpose};
pub use quadrille_reduction::Check;
pub use quadrille_scheduler::{Ending, FieldHand, Now, Outcome, Output, StandDown, Stop};

/// Name and version of the program, as records keep it.
pub const PROGRAM: &str = concat!("quadrille ", env!("CARGO_PKG_VERSION"));
