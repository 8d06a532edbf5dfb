//! Conducting sheets of any outline with contacts of finite size, in a magnetic field, by finite elements. Knows no
//! material and no instrument: lengths, a Hall angle and a sheet resistance are all.

mod bracket;
mod checks;
mod element;
mod error;
mod grading;
mod krylov;
mod layout;
mod mapped;
mod memory;
mod outline;
mod piece;
mod shapes;
#[allow(clippy::module_inception, reason = "the type that the module is named after")]
mod sheet;
mod space;
mod system;
mod triangles;

pub use error::{Part, SheetError};
pub use grading::Fineness;
pub use layout::{EdgeContact, InnerContact};
pub use outline::Outline;
pub use shapes::SideArm;
pub use sheet::{Sheet, SolvedSheet};
pub use system::Equations;
