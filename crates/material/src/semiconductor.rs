//! Electrons and holes of a semiconductor from charge neutrality: freeze-out, exhaustion and the intrinsic range from
//! one root. Knows no name of a material.

use crate::conduction::{Carrier, Sign, in_field};
use crate::fermi::{falling_root, ln_fermi_dirac_half, ln_sum, softplus};
use crate::mobility::{Impurities, Mobility, MobilityKeys};
use crate::{BOLTZMANN_EV, Carriers, MaterialError, TemperatureSpan, Transport, error};
use quadrille_quantity::{Kelvin, Tesla};

/// Donors or acceptors of one kind.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Impurity {
    /// How many, per cubic metre.
    pub density_per_m3: f64,
    /// How far the level is from its band, in electronvolts. Zero says that they are ionised at all temperatures, as
    /// they are above the density at which the impurities' states overlap (N. F. Mott).
    pub ionisation_ev: f64,
    /// Degeneracy of the neutral impurity: 2 for donors, 4 for acceptors under a valence band of two kinds of holes.
    pub degeneracy: f64,
    /// Density per cubic metre from which on a crystal of these is a metal, if it is known; below it a level, above it
    /// none.
    pub metallic_per_m3: Option<f64>,
}

impl Impurity {
    /// Donors as they usually are: degeneracy 2.
    pub fn donors(density_per_m3: f64, ionisation_ev: f64) -> Self {
        Self { density_per_m3, ionisation_ev, degeneracy: 2.0, metallic_per_m3: None }
    }

    /// Acceptors as they usually are: degeneracy 4.
    pub fn acceptors(density_per_m3: f64, ionisation_ev: f64) -> Self {
        Self { density_per_m3, ionisation_ev, degeneracy: 4.0, metallic_per_m3: None }
    }

    /// Logarithm of the density of those that are ionised, the level being this many kT above the Fermi level (donors;
    /// acceptors: below it).
    fn ln_ionised(&self, above: f64) -> f64 {
        let all = self.density_per_m3.ln();
        if self.ionisation_ev == 0.0 { all } else { all - softplus(self.degeneracy.ln() - above) }
    }
}

/// Width of the forbidden gap over temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Gap {
    /// The same at all temperatures.
    Constant {
        /// In electronvolts.
        ev: f64,
    },
    /// E_g = `zero_ev` − `alpha`·T²/(T + `beta`) (Y. P. Varshni, Physica 34, 149, 1967).
    Varshni {
        /// At absolute zero, in electronvolts.
        zero_ev: f64,
        /// In electronvolts per kelvin.
        alpha_ev_per_k: f64,
        /// In kelvins.
        beta_k: f64,
    },
}

impl Gap {
    /// In electronvolts.
    pub fn at(&self, temperature: Kelvin) -> f64 {
        match *self {
            Self::Constant { ev } => ev,
            Self::Varshni { zero_ev, alpha_ev_per_k, beta_k } => {
                zero_ev - alpha_ev_per_k * temperature.0 * temperature.0 / (temperature.0 + beta_k)
            }
        }
    }
}

/// A band and what moves in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// Effective density of states at 300 K, per cubic metre; it goes as T^1.5.
    pub states_per_m3: f64,
    /// Drift mobility.
    pub mobility: Mobility,
    /// Hall mobility over drift mobility, the same at all temperatures and in all fields.
    pub hall_factor: f64,
}

/// All that a semiconductor is made of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SemiconductorParameters {
    /// Donors.
    pub donors: Impurity,
    /// Acceptors.
    pub acceptors: Impurity,
    /// Gap between the bands.
    pub gap: Gap,
    /// Conduction band and its electrons.
    pub conduction: Band,
    /// Valence band and its holes.
    pub valence: Band,
    /// Temperatures for which these are published, if they are.
    pub span: Option<TemperatureSpan>,
}

/// A semiconductor whose parameters have been found physical.
///
/// Statistics are Fermi's throughout (parabolic bands), so that a degenerate band needs no case of its own. Not in the
/// model: narrowing of the gap by doping, conduction from impurity to impurity at low temperature, scattering at neutral
/// impurities, screening.
#[derive(Clone, Debug, PartialEq)]
pub struct Semiconductor {
    parameters: SemiconductorParameters,
}

/// What charge neutrality gives, densities as logarithms: they underflow in the cold.
struct Equilibrium {
    ln_electrons: f64,
    ln_holes: f64,
    ln_ionised: f64,
}

impl Semiconductor {
    /// Checks the parameters, each by itself and all together.
    pub fn new(parameters: SemiconductorParameters) -> Result<Self, MaterialError> {
        let SemiconductorParameters { donors, acceptors, gap, conduction, valence, .. } = &parameters;
        check_gap(gap)?;
        let gap_ev = gap.at(Kelvin(1.0));
        check_impurity(donors, ["donors_per_m3", "donor_ev", "donor_degeneracy"], gap_ev)?;
        check_impurity(acceptors, ["acceptors_per_m3", "acceptor_ev", "acceptor_degeneracy"], gap_ev)?;
        check_compensation(donors.density_per_m3, acceptors.density_per_m3)?;
        for (band, states, keys) in [
            (conduction, "conduction_states_per_m3", ELECTRON_KEYS),
            (valence, "valence_states_per_m3", HOLE_KEYS),
        ] {
            error::within(states, band.states_per_m3, 1e18, 1e29)?;
            error::within("hall_factor", band.hall_factor, 0.1, 10.0)?;
            band.mobility.check(keys)?;
        }
        Ok(Self { parameters })
    }

    /// The parameters, as they were found physical.
    pub fn parameters(&self) -> &SemiconductorParameters {
        &self.parameters
    }

    pub(crate) fn carriers(&self, temperature: Kelvin) -> Result<Carriers, MaterialError> {
        let equilibrium = self.equilibrium(temperature)?;
        Ok(Carriers {
            electrons_per_m3: equilibrium.ln_electrons.exp(),
            holes_per_m3: equilibrium.ln_holes.exp(),
        })
    }

    pub(crate) fn transport(&self, temperature: Kelvin, field: Tesla) -> Result<Transport, MaterialError> {
        let SemiconductorParameters { donors, acceptors, conduction, valence, .. } = &self.parameters;
        let equilibrium = self.equilibrium(temperature)?;
        let impurities = Impurities {
            total_per_m3: donors.density_per_m3 + acceptors.density_per_m3,
            ionised_per_m3: equilibrium.ln_ionised.exp(),
        };
        let carrier = |sign, band: &Band, ln_density: f64| -> Result<Carrier, MaterialError> {
            Ok(Carrier {
                sign,
                density_per_m3: ln_density.exp(),
                mobility_m2_per_v_s: band.mobility.at(temperature, impurities)?,
                hall_factor: band.hall_factor,
            })
        };
        let electrons = carrier(Sign::Negative, conduction, equilibrium.ln_electrons)?;
        let holes = carrier(Sign::Positive, valence, equilibrium.ln_holes)?;
        Ok(in_field(&[electrons, holes], field))
    }

    pub(crate) fn temperature_span(&self) -> Option<TemperatureSpan> {
        let SemiconductorParameters { conduction, valence, span, .. } = &self.parameters;
        [*span, conduction.mobility.fitted_span(), valence.mobility.fitted_span()]
            .into_iter()
            .flatten()
            .reduce(TemperatureSpan::overlap)
    }

    /// The Fermi level at which charges balance, p + N_D⁺ = n + N_A⁻, sought in units of kT from the valence band up,
    /// and between logarithms: at 1 K densities are as small as exp(−10⁴).
    fn equilibrium(&self, temperature: Kelvin) -> Result<Equilibrium, MaterialError> {
        let SemiconductorParameters { donors, acceptors, gap, conduction, valence, .. } = &self.parameters;
        let thermal_ev = BOLTZMANN_EV * temperature.0;
        let gap_ev = gap.at(temperature);
        if gap_ev <= 0.0 {
            let problem = format!("at {} K the gap is {gap_ev:.3} eV", temperature.0);
            return Err(MaterialError::new("gap_ev", problem, "stay where it is above zero"));
        }
        let warmth = 1.5 * (temperature.0 / 300.0).ln();
        let width = gap_ev / thermal_ev;
        let ln_electrons =
            |fermi: f64| conduction.states_per_m3.ln() + warmth + ln_fermi_dirac_half(fermi - width);
        let ln_holes = |fermi: f64| valence.states_per_m3.ln() + warmth + ln_fermi_dirac_half(-fermi);
        let ln_donors = |fermi: f64| donors.ln_ionised(width - donors.ionisation_ev / thermal_ev - fermi);
        let ln_acceptors = |fermi: f64| acceptors.ln_ionised(fermi - acceptors.ionisation_ev / thermal_ev);
        let balance = |fermi: f64| {
            ln_sum(ln_holes(fermi), ln_donors(fermi)) - ln_sum(ln_electrons(fermi), ln_acceptors(fermi))
        };
        let fermi = falling_root(balance, -1.0, width + 1.0).ok_or_else(|| {
            let problem = format!("charges balance nowhere at {} K", temperature.0);
            MaterialError::new("temperature", problem, "ask at a temperature of a solid")
        })?;
        Ok(Equilibrium {
            ln_electrons: ln_electrons(fermi),
            ln_holes: ln_holes(fermi),
            ln_ionised: ln_sum(ln_donors(fermi), ln_acceptors(fermi)),
        })
    }
}

pub(crate) const ELECTRON_KEYS: MobilityKeys = MobilityKeys {
    mobility: "electron_mobility_m2_per_v_s",
    exponent: "electron_exponent",
    impurity_mobility: "electron_impurity_mobility_m2_per_v_s",
    impurity_exponent: "electron_impurity_exponent",
};

pub(crate) const HOLE_KEYS: MobilityKeys = MobilityKeys {
    mobility: "hole_mobility_m2_per_v_s",
    exponent: "hole_exponent",
    impurity_mobility: "hole_impurity_mobility_m2_per_v_s",
    impurity_exponent: "hole_impurity_exponent",
};

fn check_gap(gap: &Gap) -> Result<(), MaterialError> {
    match *gap {
        Gap::Constant { ev } => error::within("gap_ev", ev, 1e-3, 20.0),
        Gap::Varshni { zero_ev, alpha_ev_per_k, beta_k } => {
            error::within("gap_ev", zero_ev, 1e-3, 20.0)?;
            error::within("gap_ev", alpha_ev_per_k, 0.0, 0.1)?;
            error::within("gap_ev", beta_k, 0.0, 1e4)
        }
    }
}

fn check_impurity(impurity: &Impurity, keys: [&'static str; 3], gap_ev: f64) -> Result<(), MaterialError> {
    let [density, energy, degeneracy] = keys;
    error::within(density, impurity.density_per_m3, 0.0, 1e29)?;
    error::within(degeneracy, impurity.degeneracy, 0.1, 100.0)?;
    error::within(energy, impurity.ionisation_ev, 0.0, 20.0)?;
    if impurity.ionisation_ev >= gap_ev {
        let problem = format!("{} eV is no less than the gap, {gap_ev:.4} eV", impurity.ionisation_ev);
        return Err(MaterialError::new(energy, problem, "write the distance from the nearer band"));
    }
    if let Some(metallic) = impurity.metallic_per_m3
        && impurity.density_per_m3 > metallic
        && impurity.ionisation_ev > 0.0
    {
        let problem = format!("so many make a metal of the crystal, from {metallic:.1e} per m3 on");
        return Err(MaterialError::new(density, problem, format!("write {energy} = 0.0, always ionised")));
    }
    Ok(())
}

/// With exactly as many donors as acceptors nothing but rounding would say where the Fermi level is.
fn check_compensation(donors: f64, acceptors: f64) -> Result<(), MaterialError> {
    let larger = donors.max(acceptors);
    if larger == 0.0 || (donors - acceptors).abs() > 1e-6 * larger {
        return Ok(());
    }
    let problem = "as many acceptors as donors leave the Fermi level to chance";
    Err(MaterialError::new("acceptors_per_m3", problem, "write densities that differ"))
}
