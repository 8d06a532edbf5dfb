//! Materials whose parameters are published, each number with its source.
//!
//! "From memory" marks what was not read again when it was written down. Hall factors are 1 unless a document says
//! otherwise: published ones run from 0.7 to 1.9 with temperature and doping, and no constant is right.

use crate::{
    Band, Gap, Impurity, ImpurityScattering, MaterialError, Mobility, SemiconductorParameters,
    TemperatureSpan,
};
use quadrille_quantity::Kelvin;

const PER_CM3: f64 = 1e6;
const CM2: f64 = 1e-4;

/// Which kind of carriers a dopant gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum DopantKind {
    Donor,
    Acceptor,
}

/// A semiconductor by name: all but the densities of its impurities.
pub(crate) struct SemiconductorPreset {
    pub(crate) parameters: SemiconductorParameters,
    /// The dopant of the name, whose density a document has to say and which outnumbers the other kind.
    pub(crate) dopant: Option<DopantKind>,
}

struct Dopant {
    preset: &'static str,
    host: fn() -> SemiconductorParameters,
    kind: DopantKind,
    ev: f64,
    /// Metal from this density on, per cubic centimetre.
    metallic_per_cm3: Option<f64>,
}

/// Ionisation energies in silicon and germanium: S. M. Sze, Physics of Semiconductor Devices. Densities of the
/// metal–insulator transition from memory: Si:P 3.74e18 (T. F. Rosenbaum et al., Phys. Rev. B 27, 7509, 1983), Si:B
/// 4.06e18 (P. Dai, Y. Zhang and M. P. Sarachik, Phys. Rev. Lett. 66, 1914, 1991), the others as collected by P. P.
/// Edwards and M. J. Sienko, Phys. Rev. B 17, 2575 (1978).
const DOPANTS: [Dopant; 10] = {
    use DopantKind::{Acceptor, Donor};
    const fn dopant(
        preset: &'static str,
        host: fn() -> SemiconductorParameters,
        kind: DopantKind,
        ev: f64,
        metallic_per_cm3: Option<f64>,
    ) -> Dopant {
        Dopant { preset, host, kind, ev, metallic_per_cm3 }
    }
    [
        dopant("Si:P", silicon, Donor, 0.045, Some(3.74e18)),
        dopant("Si:As", silicon, Donor, 0.054, Some(8.5e18)),
        dopant("Si:Sb", silicon, Donor, 0.043, Some(3.0e18)),
        dopant("Si:B", silicon, Acceptor, 0.045, Some(4.06e18)),
        dopant("Si:Al", silicon, Acceptor, 0.072, None),
        dopant("Si:Ga", silicon, Acceptor, 0.074, None),
        dopant("Si:In", silicon, Acceptor, 0.157, None),
        dopant("Ge:P", germanium, Donor, 0.0120, Some(2.5e17)),
        dopant("Ge:As", germanium, Donor, 0.0127, Some(3.5e17)),
        dopant("Ge:Sb", germanium, Donor, 0.0096, Some(1.5e17)),
    ]
};

/// Names of the presets of a kind of material.
pub fn preset_names(kind: &str) -> Vec<&'static str> {
    match kind {
        "semiconductor" => DOPANTS.iter().map(|dopant| dopant.preset).chain(["InSb"]).collect(),
        "metal" => vec!["copper", "platinum"],
        _ => Vec::new(),
    }
}

pub(crate) fn semiconductor(name: &str) -> Result<SemiconductorPreset, MaterialError> {
    if name == "InSb" {
        return Ok(SemiconductorPreset { parameters: indium_antimonide(), dopant: None });
    }
    let found = DOPANTS.iter().find(|dopant| dopant.preset == name);
    let dopant = found.ok_or_else(|| unknown("semiconductor", name))?;
    let mut parameters = (dopant.host)();
    let impurity = match dopant.kind {
        DopantKind::Donor => &mut parameters.donors,
        DopantKind::Acceptor => &mut parameters.acceptors,
    };
    impurity.ionisation_ev = dopant.ev;
    impurity.metallic_per_m3 = dopant.metallic_per_cm3.map(|density| density * PER_CM3);
    Ok(SemiconductorPreset { parameters, dopant: Some(dopant.kind) })
}

pub(crate) fn unknown(kind: &str, name: &str) -> MaterialError {
    let known = preset_names(kind);
    let remedy = match known.is_empty() {
        true => "leave it away".to_owned(),
        false => format!("write one of {}", known.join(", ")),
    };
    MaterialError::new("preset", format!("\"{name}\" is no {kind} that is known here"), remedy)
}

fn span(from: f64, to: f64) -> TemperatureSpan {
    TemperatureSpan { from: Kelvin(from), to: Kelvin(to) }
}

/// A band whose carriers are scattered by the lattice and by ionised impurities, in units of cm. Impurity mobilities
/// go as T^1.5/N (E. Conwell and V. F. Weisskopf, Phys. Rev. 77, 388, 1950).
fn band(states_per_cm3: f64, lattice: f64, exponent: f64, impurity: Option<(f64, f64)>) -> Band {
    let impurities = impurity.map(|(cm2, per_cm3)| ImpurityScattering {
        mobility_m2_per_v_s: cm2 * CM2,
        exponent: 1.5,
        at_per_m3: Some(per_cm3 * PER_CM3),
    });
    let mobility = Mobility::Matthiessen { lattice_m2_per_v_s: lattice * CM2, exponent, impurities };
    Band { states_per_m3: states_per_cm3 * PER_CM3, mobility, hall_factor: 1.0 }
}

/// Silicon. States: M. A. Green, J. Appl. Phys. 67, 2944 (1990), values at 300 K, from memory. Gap: C. D. Thurmond, J.
/// Electrochem. Soc. 122, 1133 (1975). With T^1.5 for the states n_i is 10 % above K. Misiakos and D. Tsamakis, J. Appl.
/// Phys. 74, 3293 (1993), at 300 K, 21 % at 200 K. Lattice mobilities at 300 K: those of light doping of G. Masetti et
/// al. (1983); exponents: C. Jacoboni et al., Solid-State Electron. 20, 77 (1977), from memory. Impurity mobilities:
/// derived here, such that at 1e17 cm⁻³, all ionised, the sum is that of Masetti; good to 10 % up to there, below that
/// of Masetti by half at 1e18 cm⁻³. The other kind of impurity: phosphorus, boron.
fn silicon() -> SemiconductorParameters {
    SemiconductorParameters {
        donors: Impurity::donors(0.0, 0.045),
        acceptors: Impurity::acceptors(0.0, 0.045),
        gap: Gap::Varshni { zero_ev: 1.170, alpha_ev_per_k: 4.73e-4, beta_k: 636.0 },
        conduction: band(2.86e19, 1414.0, 2.42, Some((1472.0, 1e17))),
        valence: band(3.10e19, 470.5, 2.20, Some((991.7, 1e17))),
        span: Some(span(100.0, 400.0)),
    }
}

/// Germanium. States 1.0e19 and 5.0e18 cm⁻³ and acceptors at 0.011 eV: archive of semiconductors of the Ioffe
/// Institute. Gap: C. D. Thurmond (1975), from memory. Mobilities 4.9e7·T^−1.66 and 1.05e9·T^−2.33 cm²/(V·s): M. B.
/// Prince, Phys. Rev. 92, 681 (1953) and F. J. Morin, Phys. Rev. 93, 62 (1954), as Sze and others quote them. Impurity
/// mobilities: derived here, such that the sum is μ/√(1 + N/N₀) of C. Hilsum, Electron. Lett. 10, 259 (1974), at
/// N₀ = 1e17 cm⁻³ for electrons and 2.1e17 cm⁻³ (from memory) for holes.
fn germanium() -> SemiconductorParameters {
    let electrons = 4.9e7 * 300f64.powf(-1.66);
    let holes = 1.05e9 * 300f64.powf(-2.33);
    // 1/μ_I = √2/μ − 1/μ.
    let share = 1.0 / (std::f64::consts::SQRT_2 - 1.0);
    SemiconductorParameters {
        donors: Impurity::donors(0.0, 0.0120),
        acceptors: Impurity::acceptors(0.0, 0.011),
        gap: Gap::Varshni { zero_ev: 0.7437, alpha_ev_per_k: 4.774e-4, beta_k: 235.0 },
        conduction: band(1.0e19, electrons, 1.66, Some((electrons * share, 1e17))),
        valence: band(5.0e18, holes, 2.33, Some((holes * share, 2.1e17))),
        span: Some(span(100.0, 300.0)),
    }
}

/// Indium antimonide. States 4.2e16 and 7.3e18 cm⁻³ and the gap 0.24 − 6e-4·T²/(T + 500) eV, 0 K to 300 K: archive of
/// semiconductors of the Ioffe Institute, after C. L. Littler and D. G. Seiler (1985). Electrons: O. Madelung and H.
/// Weiss, Z. Naturforsch. 9a, 527 (1954), 65 000·(T/300 K)^−1.66 cm²/(V·s). Holes: 850·(T/300 K)^−1.95 cm²/(V·s), from
/// memory. Donors are always ionised: the states of 0.7 meV overlap at any density that is grown. Acceptors at 0.010
/// eV (zinc, cadmium), from memory. The band is taken as parabolic, which that of InSb is not: electron densities from
/// 1e17 cm⁻³ on are wrong by tens of percent.
fn indium_antimonide() -> SemiconductorParameters {
    SemiconductorParameters {
        donors: Impurity::donors(0.0, 0.0),
        acceptors: Impurity::acceptors(0.0, 0.010),
        gap: Gap::Varshni { zero_ev: 0.24, alpha_ev_per_k: 6e-4, beta_k: 500.0 },
        conduction: band(4.2e16, 65_000.0, 1.66, None),
        valence: band(7.3e18, 850.0, 1.95, None),
        span: Some(span(100.0, 300.0)),
    }
}

/// A metal by name: what Bloch's and Grüneisen's law needs.
pub(crate) struct MetalPreset {
    pub(crate) resistivity_ohm_m: f64,
    pub(crate) reference: Kelvin,
    pub(crate) residual_ohm_m: f64,
    pub(crate) debye: Kelvin,
    pub(crate) hall_coefficient: f64,
    pub(crate) span: TemperatureSpan,
}

pub(crate) fn metal(name: &str) -> Result<MetalPreset, MaterialError> {
    match name {
        // Resistivities: R. A. Matula, J. Phys. Chem. Ref. Data 8, 1147 (1979), from memory; residual that of his
        // recommended values. Θ = 333 K: G. T. Meaden, Electrical Resistance of Metals (1965), from memory; within 3 %
        // of Matula from 10 K to 500 K. Hall coefficient: C. M. Hurd, The Hall Effect in Metals and Alloys (1972),
        // from memory.
        "copper" => Ok(MetalPreset {
            resistivity_ohm_m: 1.678e-8,
            reference: Kelvin(293.0),
            residual_ohm_m: 2.0e-11,
            debye: Kelvin(333.0),
            hall_coefficient: -5.3e-11,
            span: span(10.0, 500.0),
        }),
        // Resistivities: values of the CRC Handbook of Chemistry and Physics, from memory. Θ = 240 K: Meaden, from
        // memory; within 8 % of those from 60 K to 400 K and far below them in the cold, where electrons also scatter
        // into the d band. Hall coefficient: Hurd, from memory.
        "platinum" => Ok(MetalPreset {
            resistivity_ohm_m: 1.05e-7,
            reference: Kelvin(293.0),
            residual_ohm_m: 2.0e-11,
            debye: Kelvin(240.0),
            hall_coefficient: -2.4e-11,
            span: span(60.0, 400.0),
        }),
        _ => Err(unknown("metal", name)),
    }
}
