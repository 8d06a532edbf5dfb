//! From the keys of a document to a material: what is written, what a preset says, what is missing.

use crate::mobility::{ImpurityScattering, Mobility, MobilityKeys};
use crate::presets::{self, DopantKind};
use crate::semiconductor::{ELECTRON_KEYS, HOLE_KEYS};
use crate::{
    Band, Gap, Hopping, Impurity, Material, MaterialError, Metal, Plain, Semiconductor,
    SemiconductorParameters,
};
use quadrille_quantity::Kelvin;

type Given<'a> = &'a dyn Fn(&str) -> Option<f64>;

pub(crate) fn material(
    kind: &str,
    preset: Option<&str>,
    given: Given<'_>,
) -> Result<Material, MaterialError> {
    match (kind, preset) {
        ("semiconductor", _) => semiconductor(preset, given).map(Material::Semiconductor),
        ("metal", _) => metal(preset, given).map(Material::Metal),
        ("hopping" | "plain", Some(name)) => Err(presets::unknown(kind, name)),
        ("hopping", None) => hopping(given).map(Material::Hopping),
        ("plain", None) => plain(given).map(Material::Plain),
        _ => {
            let remedy = "write semiconductor, metal, hopping or plain";
            Err(MaterialError::new("type", format!("\"{kind}\" is no kind of material"), remedy))
        }
    }
}

/// What is written, or the preset's, or the complaint that it is missing.
fn need(given: Given<'_>, key: &'static str, preset: Option<f64>) -> Result<f64, MaterialError> {
    given(key)
        .or(preset)
        .ok_or_else(|| MaterialError::new(key, "it is missing", "write it, or name a preset"))
}

fn semiconductor(preset: Option<&str>, given: Given<'_>) -> Result<Semiconductor, MaterialError> {
    let preset = preset.map(presets::semiconductor).transpose()?;
    let known = preset.as_ref().map(|preset| preset.parameters);
    let dopant = preset.and_then(|preset| preset.dopant);
    check_dopants(dopant, given)?;
    let donors = known.map_or(Impurity::donors(0.0, 0.0), |known| known.donors);
    let acceptors = known.map_or(Impurity::acceptors(0.0, 0.0), |known| known.acceptors);
    let conduction = known.map(|known| known.conduction);
    let valence = known.map(|known| known.valence);
    let named = known.is_some();
    let own = LAWS_OF_A_SEMICONDUCTOR.iter().any(|key| given(key).is_some());
    let acceptor_keys = ["acceptors_per_m3", "acceptor_ev", "acceptor_degeneracy"];
    Semiconductor::new(SemiconductorParameters {
        donors: impurity(given, donors, ["donors_per_m3", "donor_ev", "donor_degeneracy"], named)?,
        acceptors: impurity(given, acceptors, acceptor_keys, named)?,
        gap: match (given("gap_ev"), known) {
            (None, Some(known)) => known.gap,
            (written, _) => Gap::Constant { ev: need(given, "gap_ev", written)? },
        },
        conduction: band(given, conduction, "conduction_states_per_m3", ELECTRON_KEYS)?,
        valence: band(given, valence, "valence_states_per_m3", HOLE_KEYS)?,
        span: known.and_then(|known| known.span).filter(|_| !own),
    })
}

/// Whoever writes one of these makes another material of a preset, and only they know where it holds. Densities,
/// degeneracies and the Hall factor are not among them.
const LAWS_OF_A_SEMICONDUCTOR: [&str; 13] = [
    "donor_ev",
    "acceptor_ev",
    "gap_ev",
    "conduction_states_per_m3",
    "valence_states_per_m3",
    ELECTRON_KEYS.mobility,
    ELECTRON_KEYS.exponent,
    ELECTRON_KEYS.impurity_mobility,
    ELECTRON_KEYS.impurity_exponent,
    HOLE_KEYS.mobility,
    HOLE_KEYS.exponent,
    HOLE_KEYS.impurity_mobility,
    HOLE_KEYS.impurity_exponent,
];

/// The same for a metal; how pure it is is the crystal's own.
const LAWS_OF_A_METAL: [&str; 3] = ["resistivity_ohm_m", "reference_k", "debye_k"];

/// Somebody has to say how many impurities there are, and of a crystal that is named by its dopant there are more of
/// those than of the other kind.
fn check_dopants(dopant: Option<DopantKind>, given: Given<'_>) -> Result<(), MaterialError> {
    let (donors, acceptors) = (given("donors_per_m3"), given("acceptors_per_m3"));
    let (key, of_name, other_key, other) = match dopant {
        Some(DopantKind::Acceptor) => ("acceptors_per_m3", acceptors, "donors_per_m3", donors),
        Some(DopantKind::Donor) => ("donors_per_m3", donors, "acceptors_per_m3", acceptors),
        None => ("donors_per_m3", donors.or(acceptors), "", None),
    };
    let Some(density) = of_name else {
        let remedy = match dopant {
            Some(_) => "write how many there are",
            None => "write donors_per_m3 or acceptors_per_m3, 0.0 in a pure crystal",
        };
        return Err(MaterialError::new(key, "it is missing", remedy));
    };
    match other {
        Some(other) if other >= density => {
            let problem = format!("a compensation of {}: no less than {key}", other / density);
            let remedy = "write less, or the preset of the other kind of impurity";
            Err(MaterialError::new(other_key, problem, remedy))
        }
        _ => Ok(()),
    }
}

fn impurity(
    given: Given<'_>,
    known: Impurity,
    keys: [&'static str; 3],
    named: bool,
) -> Result<Impurity, MaterialError> {
    let [density, energy, degeneracy] = keys;
    let density_per_m3 = given(density).unwrap_or(0.0);
    let usual = (named || density_per_m3 == 0.0).then_some(known.ionisation_ev);
    Ok(Impurity {
        density_per_m3,
        ionisation_ev: need(given, energy, usual)?,
        degeneracy: given(degeneracy).unwrap_or(known.degeneracy),
        metallic_per_m3: known.metallic_per_m3,
    })
}

fn band(
    given: Given<'_>,
    known: Option<Band>,
    states: &'static str,
    keys: MobilityKeys,
) -> Result<Band, MaterialError> {
    let mobility = known.map(|band| band.mobility);
    let (known_lattice, known_exponent, known_impurities) = match mobility {
        Some(Mobility::Matthiessen { lattice_m2_per_v_s, exponent, impurities }) => {
            (Some(lattice_m2_per_v_s), Some(exponent), impurities)
        }
        _ => (None, None, None),
    };
    Ok(Band {
        states_per_m3: need(given, states, known.map(|band| band.states_per_m3))?,
        mobility: Mobility::Matthiessen {
            lattice_m2_per_v_s: need(given, keys.mobility, known_lattice)?,
            exponent: need(given, keys.exponent, known_exponent)?,
            impurities: impurity_scattering(given, known_impurities, keys)?,
        },
        hall_factor: given("hall_factor").or(known.map(|band| band.hall_factor)).unwrap_or(1.0),
    })
}

/// A mobility that is written is that of this crystal: it no longer goes with the density of impurities.
fn impurity_scattering(
    given: Given<'_>,
    known: Option<ImpurityScattering>,
    keys: MobilityKeys,
) -> Result<Option<ImpurityScattering>, MaterialError> {
    let exponent = given(keys.impurity_exponent);
    match (given(keys.impurity_mobility), known) {
        (Some(mobility_m2_per_v_s), _) => Ok(Some(ImpurityScattering {
            mobility_m2_per_v_s,
            exponent: exponent.unwrap_or(1.5),
            at_per_m3: None,
        })),
        (None, Some(known)) => {
            Ok(Some(ImpurityScattering { exponent: exponent.unwrap_or(known.exponent), ..known }))
        }
        (None, None) if exponent.is_some() => {
            let remedy = format!("write {} beside it", keys.impurity_mobility);
            Err(MaterialError::new(keys.impurity_exponent, "an exponent of no mobility", remedy))
        }
        (None, None) => Ok(None),
    }
}

fn metal(preset: Option<&str>, given: Given<'_>) -> Result<Metal, MaterialError> {
    let known = preset.map(presets::metal).transpose()?;
    let known = known.as_ref();
    let resistivity = need(given, "resistivity_ohm_m", known.map(|known| known.resistivity_ohm_m))?;
    let reference = Kelvin(need(given, "reference_k", known.map(|known| known.reference.0))?);
    let hall = need(given, "hall_coefficient_m3_per_c", known.map(|known| known.hall_coefficient))?;
    let debye = given("debye_k").or(known.map(|known| known.debye.0));
    let metal = match (given("temperature_coefficient_per_k"), debye) {
        (Some(_), Some(_)) => {
            let problem = "a metal is linear or has a Debye temperature";
            let remedy = "write it without debye_k and preset, or leave it away";
            return Err(MaterialError::new("temperature_coefficient_per_k", problem, remedy));
        }
        (Some(per_kelvin), None) => {
            if given("residual_resistivity_ohm_m").is_some() {
                let problem = "a linear metal has no residual resistivity";
                let remedy = "write debye_k in place of temperature_coefficient_per_k, or leave it away";
                return Err(MaterialError::new("residual_resistivity_ohm_m", problem, remedy));
            }
            Metal::linear(resistivity, reference, per_kelvin, hall)?
        }
        (None, Some(debye)) => {
            let known_residual = known.map_or(0.0, |known| known.residual_ohm_m);
            let residual = given("residual_resistivity_ohm_m").unwrap_or(known_residual);
            Metal::bloch_gruneisen(resistivity, reference, residual, Kelvin(debye), hall)?
        }
        (None, None) => {
            let remedy = "write temperature_coefficient_per_k, or debye_k, or name a preset";
            return Err(MaterialError::new("temperature_coefficient_per_k", "it is missing", remedy));
        }
    };
    let own = LAWS_OF_A_METAL.iter().any(|key| given(key).is_some());
    Ok(known.filter(|_| !own).map_or(metal, |known| metal.published(known.span)))
}

fn hopping(given: Given<'_>) -> Result<Hopping, MaterialError> {
    let need = |key| need(given, key, None);
    let characteristic = Kelvin(need("characteristic_k")?);
    let hall = need("hall_mobility_m2_per_v_s")?;
    Hopping::new(need("resistivity_ohm_m")?, characteristic, need("exponent")?, hall)
}

fn plain(given: Given<'_>) -> Result<Plain, MaterialError> {
    let need = |key| need(given, key, None);
    Plain::new(need("resistivity_ohm_m")?, need("hall_mobility_m2_per_v_s")?)
}
