//! A sheet of a document: its outline put to the solver, and how it conducts at a temperature and in a field. A fault of
//! the geometry is told at the line of the document that has it.

use crate::SpecimenError;
use crate::substance;
use quadrille_documents::{Conduction, Fault, Faults, Outline, Shape, SheetModel};
use quadrille_material::Material;
use quadrille_network::{
    EdgeContact, NetworkError, Part, Sheet, SheetError, SideArm, SolvedSheet, TerminalMatrix,
};
use quadrille_quantity::{Kelvin, Ohm, Tesla};
use std::collections::BTreeMap;
use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};

/// A sheet that is solved.
#[derive(Clone)]
pub(crate) struct SheetSpecimen {
    solved: Arc<SolvedSheet>,
    conduction: Conducting,
    contact_ohm: Vec<Ohm>,
}

impl fmt::Debug for SheetSpecimen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("SheetSpecimen").field("conduction", &self.conduction).finish_non_exhaustive()
    }
}

#[derive(Clone, Debug)]
enum Conducting {
    Plain { sheet_resistance: Ohm, tan_hall_per_t: f64 },
    Material { material: Box<Material>, thickness_m: f64 },
}

impl SheetSpecimen {
    pub(crate) fn new(model: &SheetModel) -> Result<Self, Faults> {
        let conduction = match &model.conduction {
            Conduction::Plain { sheet_resistance_ohm, hall_mobility_m2_per_v_s } => Conducting::Plain {
                sheet_resistance: Ohm(*sheet_resistance_ohm),
                tan_hall_per_t: *hall_mobility_m2_per_v_s,
            },
            Conduction::Material { material, thickness_m } => Conducting::Material {
                material: Box::new(substance::material(material)?),
                thickness_m: *thickness_m,
            },
        };
        let contact_ohm = model.contact_ohm.iter().copied().map(Ohm).collect();
        Ok(Self { solved: solved(model)?, conduction, contact_ohm })
    }

    pub(crate) fn terminals(&self, kelvin: Kelvin, field: Tesla) -> Result<TerminalMatrix, SpecimenError> {
        let (sheet_resistance, tan_hall) = self.conducts(kelvin, field)?;
        let bare = self.solved.terminals(sheet_resistance, tan_hall)?;
        Ok(bare.behind(&self.contact_ohm)?)
    }

    pub(crate) fn bound(&self, kelvin: Kelvin, field: Tesla) -> Result<f64, SpecimenError> {
        let (_, tan_hall) = self.conducts(kelvin, field)?;
        Ok(self.solved.bound(tan_hall))
    }

    pub(crate) fn depends_on_temperature(&self) -> bool {
        matches!(self.conduction, Conducting::Material { .. })
    }

    /// Sheet resistance and tan of the Hall angle.
    fn conducts(&self, kelvin: Kelvin, field: Tesla) -> Result<(Ohm, f64), SpecimenError> {
        if !field.0.is_finite() {
            let quantity = "field in teslas";
            return Err(NetworkError::OutOfRange { quantity, value: field.0, range: "finite" }.into());
        }
        match &self.conduction {
            Conducting::Plain { sheet_resistance, tan_hall_per_t } => {
                Ok((*sheet_resistance, tan_hall_per_t * field.0))
            }
            Conducting::Material { material, thickness_m } => {
                let transport = material.transport(kelvin, field)?;
                Ok((Ohm(transport.resistivity_ohm_m / thickness_m), transport.tan_hall))
            }
        }
    }
}

/// Sheets that were solved in this process, by what was asked: a bench and its plan ask for the same one.
static SOLVED: Mutex<BTreeMap<String, Arc<SolvedSheet>>> = Mutex::new(BTreeMap::new());

/// Most sheets that are kept.
const MOST_SOLVED: usize = 64;

fn solved(model: &SheetModel) -> Result<Arc<SolvedSheet>, Faults> {
    let Outline { shape, contacts, holes } = &model.outline;
    let values: Vec<_> = contacts.iter().map(|contact| contact.value).collect();
    let corners: Vec<_> = holes.iter().map(|hole| &hole.value).collect();
    let asked = (&shape.value, values, corners, model.anisotropy, model.axis_deg, model.tolerance);
    let key = format!("{asked:?}");
    let kept = || SOLVED.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(solved) = kept().get(&key) {
        return Ok(Arc::clone(solved));
    }
    let solved = Arc::new(solve(model).map_err(|error| Faults(vec![fault(&model.outline, &error)]))?);
    let mut kept = kept();
    if kept.len() >= MOST_SOLVED {
        kept.clear();
    }
    kept.insert(key, Arc::clone(&solved));
    Ok(solved)
}

fn solve(model: &SheetModel) -> Result<SolvedSheet, SheetError> {
    let mut outline = outline(&model.outline.shape.value)?;
    for hole in &model.outline.holes {
        outline = outline.with_hole(&hole.value)?;
    }
    let contacts = model.outline.contacts.iter();
    let contacts: Vec<EdgeContact> = contacts
        .map(|contact| EdgeContact { at_m: contact.value.at_m, length_m: contact.value.length_m })
        .collect();
    let sheet = Sheet::new(outline, &contacts)?;
    let sheet = if model.anisotropy == 1.0 {
        sheet
    } else {
        sheet.with_anisotropy(tensor(model.anisotropy, model.axis_deg.to_radians()))?
    };
    sheet.solve(model.tolerance)
}

fn outline(shape: &Shape) -> Result<quadrille_network::Outline, SheetError> {
    use quadrille_network::Outline;
    match shape {
        Shape::Disc { diameter_m } => Outline::disc(*diameter_m),
        Shape::Rectangle { width_m, height_m } => Outline::rectangle(*width_m, *height_m),
        Shape::GreekCross { arm_width_m, arm_length_m } => Outline::greek_cross(*arm_width_m, *arm_length_m),
        Shape::Cloverleaf { side_m, slot_width_m, slot_depth_m } => {
            Outline::cloverleaf_square(*side_m, *slot_width_m, *slot_depth_m)
        }
        Shape::Bridge { length_m, width_m, arms_at_m, arm_width_m, arm_length_m } => {
            let arm = |at_m: f64, is_upper| SideArm {
                at_m,
                width_m: *arm_width_m,
                length_m: *arm_length_m,
                upper: is_upper,
            };
            let arms: Vec<SideArm> =
                arms_at_m.iter().flat_map(|&at_m| [arm(at_m, false), arm(at_m, true)]).collect();
            Outline::bridge(*length_m, *width_m, &arms)
        }
        Shape::Polygon { vertices_m } => {
            let vertices: Vec<[f64; 2]> = vertices_m.iter().map(|vertex| vertex.value).collect();
            Outline::polygon(&vertices)
        }
    }
}

/// Conductance of a sheet whose resistivity along an axis is `ratio` times that across it: xx, xy, yy.
fn tensor(ratio: f64, axis_rad: f64) -> [f64; 3] {
    let (along, across) = (1.0 / ratio.sqrt(), ratio.sqrt());
    let (c, s) = (axis_rad.cos(), axis_rad.sin());
    [along * c * c + across * s * s, (along - across) * c * s, along * s * s + across * c * c]
}

/// The solver's complaint at the line of the part that it is about.
fn fault(outline: &Outline, error: &SheetError) -> Fault {
    let SheetError::Bad { part, problem, wanted } = error else {
        return outline.shape.fault(error.to_string(), "simplify the outline, or write a larger tolerance");
    };
    let (problem, remedy) = (problem.clone(), wanted.clone());
    match *part {
        Part::Contact(k) if k < outline.contacts.len() => outline.contacts[k].fault(problem, remedy),
        Part::Hole(h) if h < outline.holes.len() => outline.holes[h].fault(problem, remedy),
        Part::Vertex(i) => match &outline.shape.value {
            Shape::Polygon { vertices_m } if i < vertices_m.len() => vertices_m[i].fault(problem, remedy),
            _ => outline.shape.fault(problem, remedy),
        },
        _ => outline.shape.fault(problem, remedy),
    }
}
