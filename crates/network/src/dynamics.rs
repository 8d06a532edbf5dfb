//! Linear circuits in time, however stiff: C dv/dt = −Y v + J with constant currents J.

use crate::{Mesh, NetworkError, elimination::Elimination};
use num_complex::Complex64;
use quadrille_quantity::Second;
use std::sync::LazyLock;

/// Points of the contour, of which the upper half is solved. The error falls as 2.85⁻ᴺ (Weideman & Trefethen, Math.
/// Comp. 76, 1341, 2007, table 1), to 3e-15; rounding is amplified by exp(0.1309 N) = 66.
const POINTS: usize = 32;

/// ζ = z t and its weight, on z(θ) = (N/t)(0.1309 − 0.1194 θ² + 0.2500 i θ), same source. The inverse Laplace
/// transform is f(t) = Re Σ weight F(ζ/t) / t.
static CONTOUR: LazyLock<[(Complex64, Complex64); POINTS / 2]> = LazyLock::new(|| {
    std::array::from_fn(|k| {
        let n = POINTS as f64;
        let theta = (2 * k + 1) as f64 * std::f64::consts::PI / n;
        let zeta = n * Complex64::new(0.1309 - 0.1194 * theta * theta, 0.25 * theta);
        (zeta, 2.0 * zeta.exp() * Complex64::new(0.25, 2.0 * 0.1194 * theta))
    })
});

/// A mesh of conductances and capacitances in time. Voltages are in volts against ground, currents in amperes into
/// the nodes, both by node.
///
/// Accurate to about 1e-11 of the largest voltage, 1e-13 where no current flows, for time constants from picoseconds to years in one mesh: the
/// solution is an inverse Laplace transform, each point of which is one elimination without subtraction of unlike
/// conductances, so that slow modes are not lost beside fast ones.
#[derive(Clone, Debug)]
pub struct Dynamics {
    mesh: Mesh,
}

/// Currents that die away from now on: `currents` × exp(−t / `time`), in amperes into the nodes.
#[derive(Clone, Copy, Debug)]
pub struct Fading<'a> {
    /// Amperes by node, now.
    pub currents: &'a [f64],
    /// Time constant; above zero.
    pub time: Second,
}

/// Voltages after some time and their integral over that time.
#[derive(Clone, Debug, PartialEq)]
pub struct Response {
    /// Volts by node.
    pub voltages: Vec<f64>,
    /// Volt seconds by node, from the start.
    pub integrals: Vec<f64>,
}

impl Dynamics {
    /// Of a mesh in which every node has a path of capacitance to ground.
    pub fn new(mesh: Mesh) -> Result<Self, NetworkError> {
        let nodes = unreached(mesh.count(), |k, j| mesh.capacitance(k, j) > 0.0);
        if nodes.is_empty() { Ok(Self { mesh }) } else { Err(NetworkError::NoCapacitance { nodes }) }
    }

    /// How many nodes there are.
    pub fn count(&self) -> usize {
        self.mesh.count()
    }

    /// Voltages that constant currents settle to. Refused where a node has no path of conductance to ground.
    ///
    /// Currents into some nodes and out of others are paired, and each pair is solved with the node where it leaves
    /// as reference, so that a leak of 1e15 Ω does not blur the millivolt across an ohm.
    ///
    /// # Panics
    /// As all questions here, if a list has not one entry a node or the time is not finite and zero or above.
    pub fn steady_state(&self, currents: &[f64]) -> Result<Vec<f64>, NetworkError> {
        let n = self.checked(currents);
        let nodes = unreached(n, |k, j| self.mesh.conductance(k, j) != 0.0);
        if !nodes.is_empty() {
            return Err(NetworkError::NoPathToGround { nodes });
        }
        let mut voltages = vec![0.0; n];
        for (sink, sources) in paired(currents) {
            let against_sink = self.driven_against(sink, &sources);
            for (v, x) in voltages.iter_mut().zip(&against_sink) {
                *v += x - against_sink[n];
            }
        }
        Ok(voltages)
    }

    /// A deviation from the steady state, `seconds` later: exp(−C⁻¹ Y t) applied to it.
    pub fn relax(&self, deviation: &[f64], seconds: Second) -> Vec<f64> {
        self.relax_with_integral(deviation, seconds).voltages
    }

    /// Integral of a relaxing deviation from now to `seconds` later, in volt seconds; over `seconds` it is the mean
    /// that an aperture of that length sees.
    pub fn integral(&self, deviation: &[f64], seconds: Second) -> Vec<f64> {
        self.relax_with_integral(deviation, seconds).integrals
    }

    /// [`relax`](Self::relax) and [`integral`](Self::integral) for the price of one.
    pub fn relax_with_integral(&self, deviation: &[f64], seconds: Second) -> Response {
        self.checked(deviation);
        self.transform(deviation, None, None, seconds)
    }

    /// Voltages after `seconds` of constant currents, from given voltages; also where nothing ever settles or would
    /// settle only at a million volts.
    pub fn advance(&self, voltages: &[f64], currents: &[f64], seconds: Second) -> Response {
        self.advance_fading(voltages, currents, None, seconds)
    }

    /// [`advance`](Self::advance) with currents beside the constant ones that die away: exact as well, one transform.
    ///
    /// # Panics
    /// Also if their time constant is not above zero.
    pub fn advance_fading(
        &self,
        voltages: &[f64],
        currents: &[f64],
        fading: Option<Fading<'_>>,
        seconds: Second,
    ) -> Response {
        let n = self.checked(voltages);
        self.checked(currents);
        if let Some(fading) = fading {
            self.checked(fading.currents);
            assert!(fading.time.0 > 0.0, "a time constant of {} s", fading.time.0);
        }
        let Some(settled) = self.steady_state_worth_using(voltages, currents, seconds) else {
            return self.transform(voltages, Some(currents), fading, seconds);
        };
        let deviation: Vec<f64> = (0..n).map(|k| voltages[k] - settled[k]).collect();
        let mut response = self.transform(&deviation, None, fading, seconds);
        for (k, level) in settled.iter().enumerate() {
            response.voltages[k] += level;
            response.integrals[k] += level * seconds.0;
        }
        response
    }

    /// The longest time constant; infinite where a node has no path of conductance to ground.
    ///
    /// C⁻¹Y slowest is the largest eigenvalue of T = Y⁻¹C. T is squared again and again, ln‖T^(2^k)‖ / 2^k → ln τ; T
    /// has no negative entries (but for strong fields), so that no digits are lost.
    pub fn slowest(&self) -> Second {
        let n = self.count();
        if !unreached(n, |k, j| self.mesh.conductance(k, j) != 0.0).is_empty() {
            return Second(f64::INFINITY);
        }
        let mut system = Elimination::new(n);
        self.fill(&mut system, |g, _| g);
        system.factor();
        let mut power = vec![0.0; n * n];
        let mut unit = vec![0.0; n];
        for (j, column) in power.chunks_exact_mut(n).enumerate() {
            unit.fill(0.0);
            unit[j] = 1.0;
            self.charges(&unit, column);
            system.solve(column);
        }
        Second(spectral_radius(power, n))
    }

    /// Mean square of the mean over some seconds of the voltage between two nodes by thermal motion, over kT, in volts
    /// squared per joule: all conductances at one temperature, in equilibrium. Refused where a node has no path of
    /// conductance to ground.
    ///
    /// In equilibrium ⟨v vᵀ⟩ = kT C⁻¹ and ⟨v(t) vᵀ(0)⟩ = kT exp(−C⁻¹Y t) C⁻¹, also for a Y that is not symmetric, as the
    /// noise is of its symmetric part (fluctuation-dissipation theorem; Callen & Welton, Phys. Rev. 83, 34, 1951). Twice
    /// the integral over both ends gives 2/T² uᵀ Y⁻¹ (T u − C ∫exp(−C⁻¹Y t) C⁻¹u dt): 4R / 2T for T ≫ RC, 1/C for
    /// T ≪ RC.
    pub fn thermal_mean_square(&self, high: usize, low: usize, seconds: Second) -> Result<f64, NetworkError> {
        let n = self.count();
        assert!(high < n && low < n && high != low, "nodes {high} and {low} of {n}");
        let mut unit = vec![0.0; n];
        (unit[high], unit[low]) = (1.0, -1.0);
        let mut system = Elimination::new(n);
        self.fill(&mut system, |_, c| c);
        system.factor();
        let mut volts = unit.clone();
        system.solve(&mut volts);
        let mut soaked = vec![0.0; n];
        self.charges(&self.integral(&volts, seconds), &mut soaked);
        let left: Vec<f64> = unit.iter().zip(&soaked).map(|(u, q)| u * seconds.0 - q).collect();
        let twice = self.steady_state(&left)?;
        Ok(2.0 * (twice[high] - twice[low]) / (seconds.0 * seconds.0))
    }

    fn checked(&self, list: &[f64]) -> usize {
        assert_eq!(list.len(), self.count(), "entries for the nodes of the mesh");
        list.len()
    }

    /// Voltages of all nodes and of ground against `sink` (which may be ground) for currents into other nodes.
    fn driven_against(&self, sink: usize, sources: &[(usize, f64)]) -> Vec<f64> {
        let n = self.count();
        let others: Vec<usize> = (0..=n).filter(|&k| k != sink).collect();
        let mut system = Elimination::new(n);
        for (row, &k) in others.iter().enumerate() {
            for (column, &j) in others.iter().enumerate().filter(|&(column, _)| column != row) {
                system.between[row * n + column] = self.mesh.conductance(k, j);
            }
            system.excess[row] = self.mesh.conductance(k, sink);
        }
        system.factor();
        let mut x = vec![0.0; n];
        for &(node, ampere) in sources {
            x[if node < sink { node } else { node - 1 }] += ampere;
        }
        system.solve(&mut x);
        x.insert(sink, 0.0);
        x
    }

    /// The steady state, where going by the deviation from it loses less than integrating the currents directly.
    ///
    /// Measured: rounding in the deviation is about 1e-14 of its largest entry; integrating loses about 6e-12 of what
    /// is gained (a double pole converges more slowly), and blurs the voltage common to all nodes by about 1e-16 of
    /// what all the current would do to all the capacitance.
    fn steady_state_worth_using(
        &self,
        voltages: &[f64],
        currents: &[f64],
        seconds: Second,
    ) -> Option<Vec<f64>> {
        let n = self.count();
        let settled = self.steady_state(currents).ok()?;
        let deviation = settled.iter().zip(voltages).fold(0.0_f64, |m, (s, v)| m.max((s - v).abs()));
        let charge: f64 = currents.iter().map(|i| i.abs()).sum::<f64>() * seconds.0;
        let capacitance: f64 = (0..n).map(|k| self.mesh.capacitance(k, n)).sum();
        let gained = charge / capacitance;
        let lost_directly = gained * 1e-16 + gained.min(deviation) * 6e-12;
        (deviation * 1e-14 <= lost_directly).then_some(settled)
    }

    /// Inverse Laplace transform of (zC + Y)⁻¹ (C v + J/z + K/(z + 1/τ)), and of the same over z.
    fn transform(
        &self,
        voltages: &[f64],
        currents: Option<&[f64]>,
        fading: Option<Fading<'_>>,
        Second(seconds): Second,
    ) -> Response {
        let n = self.count();
        assert!(seconds.is_finite() && seconds >= 0.0, "a time of {seconds} s");
        let fades = fading.map_or(&[][..], |fading| fading.currents);
        let driven = currents.unwrap_or(&[]).iter().chain(fades);
        if seconds == 0.0 || voltages.iter().chain(driven).all(|&x| x == 0.0) {
            return Response { voltages: voltages.to_vec(), integrals: vec![0.0; n] };
        }
        let mut charges = vec![0.0; n];
        self.charges(voltages, &mut charges);
        let mut response = Response { voltages: vec![0.0; n], integrals: vec![0.0; n] };
        let mut system = Elimination::new(n);
        let mut x = vec![Complex64::default(); n];
        for &(zeta, weight) in CONTOUR.iter() {
            let z = zeta / seconds;
            self.fill(&mut system, |g, c| if c == 0.0 { g.into() } else { z * c + g });
            system.factor();
            match currents {
                Some(currents) => {
                    let step = z.inv();
                    (0..n).for_each(|k| x[k] = step * currents[k] + charges[k]);
                }
                None => (0..n).for_each(|k| x[k] = charges[k].into()),
            }
            if let Some(fading) = fading {
                let pole = (z + fading.time.0.recip()).inv();
                (0..n).for_each(|k| x[k] += pole * fading.currents[k]);
            }
            system.solve(&mut x);
            let (now, integral) = (weight / seconds, weight / zeta);
            for (k, x) in x.iter().enumerate() {
                response.voltages[k] += now.re * x.re - now.im * x.im;
                response.integrals[k] += integral.re * x.re - integral.im * x.im;
            }
        }
        response
    }

    /// Sets up the system whose entries are made of a conductance and a capacitance each, ground as reference.
    fn fill<T: crate::elimination::Scalar>(
        &self,
        system: &mut Elimination<T>,
        entry: impl Fn(f64, f64) -> T,
    ) {
        let n = self.count();
        for k in 0..n {
            for j in 0..n {
                system.between[k * n + j] = entry(self.mesh.conductance(k, j), self.mesh.capacitance(k, j));
            }
            system.excess[k] = entry(self.mesh.conductance(k, n), self.mesh.capacitance(k, n));
        }
    }

    /// Charge of each node, C v, in coulombs.
    fn charges(&self, voltages: &[f64], charges: &mut [f64]) {
        let n = self.count();
        for (k, charge) in charges.iter_mut().enumerate() {
            let coupled = (0..n).map(|j| self.mesh.capacitance(k, j) * (voltages[k] - voltages[j]));
            *charge = coupled.sum::<f64>() + self.mesh.capacitance(k, n) * voltages[k];
        }
    }
}

/// Nodes that no connection leads to from ground, which is node `count`.
fn unreached(count: usize, connected: impl Fn(usize, usize) -> bool) -> Vec<usize> {
    let mut left: Vec<usize> = (0..count).collect();
    let mut reached = vec![count];
    while let Some(k) = reached.pop() {
        let (next, rest) = left.into_iter().partition(|&j| connected(k, j) || connected(j, k));
        left = rest;
        reached.extend::<Vec<usize>>(next);
    }
    left
}

/// Currents in and out as flows from sources to sinks: each sink with what comes to it from where. What does not
/// leave by a node leaves by ground, node `currents.len()`; what does not enter by a node enters there.
fn paired(currents: &[f64]) -> Vec<(usize, Vec<(usize, f64)>)> {
    let ground = currents.len();
    let mut sources: Vec<(usize, f64)> =
        (0..ground).map(|k| (k, currents[k])).filter(|s| s.1 > 0.0).collect();
    let mut flows = Vec::new();
    for (sink, current) in currents.iter().enumerate().filter(|s| *s.1 < 0.0) {
        let mut wanted = -current;
        let mut from = Vec::new();
        while wanted > 0.0 {
            let Some((source, left)) = sources.last_mut() else {
                from.push((ground, wanted));
                break;
            };
            let part = wanted.min(*left);
            from.push((*source, part));
            wanted -= part;
            *left -= part;
            if *left == 0.0 {
                sources.pop();
            }
        }
        flows.push((sink, from));
    }
    if !sources.is_empty() {
        flows.push((ground, sources));
    }
    flows
}

/// Largest magnitude of an eigenvalue of an n × n matrix.
fn spectral_radius(mut power: Vec<f64>, n: usize) -> f64 {
    // 2^48 outgrows the logarithm of any condition number by 1e-12.
    const SQUARINGS: i32 = 48;
    let mut logarithm = 0.0;
    for doubling in 0..=SQUARINGS {
        let norm = power.iter().fold(0.0_f64, |m, x| m.max(x.abs()));
        logarithm += norm.ln() / 2.0_f64.powi(doubling);
        power.iter_mut().for_each(|x| *x /= norm);
        let mut square = vec![0.0; n * n];
        for k in 0..n {
            for (m, &a) in power[k * n..(k + 1) * n].iter().enumerate() {
                for j in 0..n {
                    square[k * n + j] += a * power[m * n + j];
                }
            }
        }
        power = square;
    }
    logarithm.exp()
}
