//! A document's material put to its physics; what is wrong with it told at the line of the parameter.

use quadrille_documents::{Faults, Located, MaterialModel};
use quadrille_material::Material;

pub(crate) fn material(model: &Located<MaterialModel>) -> Result<Material, Faults> {
    let written = &model.value;
    let preset = written.preset.as_ref().map(|preset| preset.value.as_str());
    Material::from_parameters(written.kind.value, preset, |key| written.get(key)).map_err(|error| {
        let (problem, remedy) = (error.problem.clone(), error.remedy.clone());
        let fault = match (error.parameter, &written.preset) {
            ("preset", Some(preset)) => preset.fault(problem, remedy),
            ("type", _) => written.kind.fault(problem, remedy),
            (parameter, _) => match written.parameters.get(parameter) {
                Some(number) => number.fault(problem, remedy),
                None => model.fault(format!("{parameter}: {problem}"), remedy),
            },
        };
        fault.into()
    })
}
