//! A sheet of a document: its outline put to the solver, and how it conducts at a temperature and in a field. A fault of
//! the geometry is told at the line of the document that has it.

use crate::SpecimenError;
use crate::substance;
use quadrille_documents::{Conduction, Fault, Faults, Outline, Shape, SheetModel};
use quadrille_material::Material;
use quadrille_network::{EdgeContact, NetworkError, Part, Sheet, SheetError, SolvedSheet, TerminalMatrix};
use quadrille_quantity::{Kelvin, Ohm, Tesla};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

/// A sheet that is solved.
#[derive(Clone, Debug)]
pub(crate) struct SheetSpecimen {
    solved: Arc<SolvedSheet>,
    conduction: Conducting,
    contact_ohm: Vec<Ohm>,
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
        sheet.with_anisotropy(model.anisotropy, model.axis_deg.to_radians())?
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
            Outline::cloverleaf(*side_m, *slot_width_m, *slot_depth_m)
        }
        Shape::Bridge { length_m, width_m, arms_at_m, arm_width_m, arm_length_m } => {
            Outline::bridge(*length_m, *width_m, arms_at_m, *arm_width_m, *arm_length_m)
        }
        Shape::Polygon { vertices_m } => {
            let vertices: Vec<[f64; 2]> = vertices_m.iter().map(|vertex| vertex.value).collect();
            Outline::polygon(&vertices)
        }
    }
}

/// The solver's complaint at the line of the part that it is about.
fn fault(outline: &Outline, error: &SheetError) -> Fault {
    let (problem, remedy) = (error.problem.clone(), error.remedy.clone());
    match error.part {
        Part::Contact(k) if k < outline.contacts.len() => outline.contacts[k].fault(problem, remedy),
        Part::Hole(h) if h < outline.holes.len() => outline.holes[h].fault(problem, remedy),
        Part::Vertex(i) => match &outline.shape.value {
            Shape::Polygon { vertices_m } if i < vertices_m.len() => vertices_m[i].fault(problem, remedy),
            _ => outline.shape.fault(problem, remedy),
        },
        _ => outline.shape.fault(problem, remedy),
    }
}
