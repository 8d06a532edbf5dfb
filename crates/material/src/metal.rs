//! Metals: linear in the temperature, or as Bloch and Grüneisen have it. Knows no thermometer.

use crate::{MaterialError, TemperatureSpan, Transport, error};
use quadrille_quantity::{Kelvin, Tesla};

/// A metal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Metal {
    law: Law,
    hall_coefficient: f64,
    span: Option<TemperatureSpan>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Law {
    Linear { resistivity_ohm_m: f64, reference: Kelvin, per_kelvin: f64 },
    BlochGruneisen { residual_ohm_m: f64, lattice_ohm_m: f64, reference: Kelvin, debye: Kelvin },
}

impl Metal {
    /// ρ = ρ₀·(1 + α·(T − T₀)): ρ₀ in ohm metres (`resistivity_ohm_m`) at T₀ (`reference_k`), α per kelvin
    /// (`temperature_coefficient_per_k`), Hall coefficient in m³/C, negative for electrons.
    pub fn linear(
        resistivity_ohm_m: f64,
        reference: Kelvin,
        per_kelvin: f64,
        hall_coefficient_m3_per_c: f64,
    ) -> Result<Self, MaterialError> {
        error::within("temperature_coefficient_per_k", per_kelvin, -1.0, 1.0)?;
        let law = Law::Linear { resistivity_ohm_m, reference, per_kelvin };
        Self::new(law, resistivity_ohm_m, reference, hall_coefficient_m3_per_c)
    }

    /// ρ = ρ_r + c·(T/Θ)⁵·J₅(Θ/T) (F. Bloch, Z. Phys. 59, 208, 1930; E. Grüneisen, Ann. Phys. 408, 530, 1933), c such
    /// that ρ is `resistivity_ohm_m` at `reference`. The residual resistivity ρ_r (`residual_resistivity_ohm_m`) is in
    /// it, and below it.
    pub fn bloch_gruneisen(
        resistivity_ohm_m: f64,
        reference: Kelvin,
        residual_ohm_m: f64,
        debye: Kelvin,
        hall_coefficient_m3_per_c: f64,
    ) -> Result<Self, MaterialError> {
        error::within("debye_k", debye.0, 1.0, 1e4)?;
        error::within("residual_resistivity_ohm_m", residual_ohm_m, 0.0, 1.0)?;
        if residual_ohm_m >= resistivity_ohm_m {
            let problem = format!("{residual_ohm_m:e} ohm m leaves nothing of {resistivity_ohm_m:e} ohm m");
            let remedy = "write less than resistivity_ohm_m, which holds it";
            return Err(MaterialError::new("residual_resistivity_ohm_m", problem, remedy));
        }
        let lattice_ohm_m = resistivity_ohm_m - residual_ohm_m;
        let law = Law::BlochGruneisen { residual_ohm_m, lattice_ohm_m, reference, debye };
        Self::new(law, resistivity_ohm_m, reference, hall_coefficient_m3_per_c)
    }

    fn new(law: Law, resistivity: f64, reference: Kelvin, hall: f64) -> Result<Self, MaterialError> {
        error::positive("resistivity_ohm_m", resistivity)?;
        error::within("reference_k", reference.0, 1.0, 1e4)?;
        error::within("hall_coefficient_m3_per_c", hall, -1.0, 1.0)?;
        Ok(Self { law, hall_coefficient: hall, span: None })
    }

    /// The same, with the temperatures for which it is published.
    pub fn published(self, span: TemperatureSpan) -> Self {
        Self { span: Some(span), ..self }
    }

    pub(crate) fn temperature_span(&self) -> Option<TemperatureSpan> {
        self.span
    }

    pub(crate) fn transport(&self, temperature: Kelvin, field: Tesla) -> Result<Transport, MaterialError> {
        let resistivity_ohm_m = match self.law {
            Law::Linear { resistivity_ohm_m, reference, per_kelvin } => {
                let resistivity = resistivity_ohm_m * (1.0 + per_kelvin * (temperature - reference).0);
                if resistivity <= 0.0 {
                    let problem = format!("the line falls below zero before {} K", temperature.0);
                    let remedy = "stay nearer reference_k, or write debye_k";
                    return Err(MaterialError::new("temperature_coefficient_per_k", problem, remedy));
                }
                resistivity
            }
            Law::BlochGruneisen { residual_ohm_m, lattice_ohm_m, reference, debye } => {
                residual_ohm_m + lattice_ohm_m * phonons(temperature, debye) / phonons(reference, debye)
            }
        };
        Ok(Transport { resistivity_ohm_m, tan_hall: self.hall_coefficient * field.0 / resistivity_ohm_m })
    }
}

fn phonons(temperature: Kelvin, debye: Kelvin) -> f64 {
    (temperature / debye).powi(5) * bloch_gruneisen_integral(debye / temperature)
}

/// J₅(x) = ∫ t⁵/((eᵗ − 1)(1 − e⁻ᵗ)) dt from 0 to x, to a relative error of 1e-12. It is x⁴/4 for small x and tends to
/// 120·ζ(5) = 124.43 for large.
///
/// Below 1 by the power series of its integrand t³·((t/2)/sinh(t/2))², with coefficients (1 − 2n)·B₂ₙ/(2n)! from
/// Bernoulli's numbers; above by parts, J₅ = 5∫t⁴/(eᵗ − 1) dt − x⁵/(eˣ − 1), and the geometric series in e⁻ᵗ.
pub fn bloch_gruneisen_integral(x: f64) -> f64 {
    if x < 1.0 { small(x) } else { large(x) }
}

fn small(x: f64) -> f64 {
    // (1 − 2n)·B₂ₙ/(2n)! for n = 0 to 8; the next term is 1.5e-13·x²² /22.
    const COEFFICIENTS: [f64; 9] = [
        1.0,
        -1.0 / 12.0,
        1.0 / 240.0,
        -1.0 / 6_048.0,
        1.0 / 172_800.0,
        -1.0 / 5_322_240.0,
        691.0 * 11.0 / 2_730.0 / 479_001_600.0,
        -91.0 / 6.0 / 87_178_291_200.0,
        3_617.0 * 15.0 / 510.0 / 20_922_789_888_000.0,
    ];
    let square = x * x;
    let sum = |total: f64, (n, coefficient): (usize, &f64)| total * square + coefficient / (2 * n + 4) as f64;
    COEFFICIENTS.iter().enumerate().rev().fold(0.0, sum) * square * square
}

fn large(x: f64) -> f64 {
    const ZETA_5: f64 = 1.036_927_755_143_37;
    // The part of ∫t⁴/(eᵗ − 1) dt from x on; e⁻⁴⁰ is 4e-18, so that forty terms are all.
    let beyond = (1..=40).rev().map(f64::from).fold(0.0, |total, k| {
        let u = 1.0 / k;
        let polynomial = (((x + 4.0 * u) * x + 12.0 * u * u) * x + 24.0 * u.powi(3)) * x + 24.0 * u.powi(4);
        total + (-k * x).exp() * polynomial * u
    });
    let edge = if x > 700.0 { 0.0 } else { x.powi(5) / x.exp_m1() };
    5.0 * (24.0 * ZETA_5 - beyond) - edge
}
