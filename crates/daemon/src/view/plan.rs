//! Plans and results of the other rooms as a snapshot shows them.

use super::run::{Check, PlanView, PlannedRound, Point, Value};
use quadrille_operations::{Inputs, Plan, Purpose, Reading, Reduction, Rehearsed};
use std::collections::BTreeMap;

impl PlanView {
    /// Of a plan of documents.
    pub fn of(plan: &Plan, inputs: &Inputs) -> Self {
        let recipe = inputs.recipe.as_ref();
        let samples: Vec<String> = plan.samples.iter().map(|sample| sample.name.clone()).collect();
        let rounds = plan.rounds.iter().map(|round| PlannedRound {
            number: round.number,
            sample: samples[round.sample].clone(),
            purpose: purpose(round.purpose).to_owned(),
            temperature_k: round.temperature.0,
            field_t: round.field.0,
            configurations: round.legs.iter().map(ToString::to_string).collect(),
            expected_s: None,
        });
        // A recipe that leaves the limit open may end with any that the bench allows.
        let pinned = recipe.and_then(|recipe| recipe.voltage_limit_v.as_ref()).map(|limit| limit.value);
        Self {
            sha256: Inputs::plan_sha256(plan),
            recipe: recipe.map_or_else(String::new, |recipe| recipe.name.value.clone()),
            rounds: rounds.collect(),
            samples,
            readings: plan.readings() as u64,
            most_v: pinned.unwrap_or(inputs.equipped.bench.limits.voltage_v),
            reasons: plan.reasons.clone(),
            warnings: plan.warnings.clone(),
        }
    }

    /// With the times at which a rehearsal took each round.
    pub fn expect(&mut self, rehearsed: &Rehearsed) {
        let mut times: BTreeMap<u32, (f64, f64)> = BTreeMap::new();
        for (Reading { time, .. }, circumstances) in &rehearsed.readings {
            let span = times.entry(circumstances.round).or_insert((time.0, time.0));
            *span = (span.0.min(time.0), span.1.max(time.0));
        }
        for round in &mut self.rounds {
            round.expected_s = times.get(&round.number).copied();
        }
    }
}

fn purpose(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::Contacts => "contacts",
        Purpose::Resistivity => "resistivity",
        Purpose::Hall => "hall",
        Purpose::Proof => "proof",
    }
}

impl Point {
    /// What a reduction says: temperatures with results, then those without, with the reason.
    pub fn of(reduction: &Reduction) -> Vec<Self> {
        let points = reduction.points.iter().map(|point| {
            let found = &point.reduced.results;
            let value = |estimate: Option<quadrille_quantity::Estimate>| {
                estimate.map(|found| Value { value: found.value, u: found.standard_uncertainty })
            };
            let check = |check: &quadrille_operations::Check| Check {
                name: check.name.clone(),
                measured: check.measured,
                limit: check.limit,
                passed: check.passed,
            };
            Self {
                sample: point.sample.clone(),
                temperature_k: point.temperature_k,
                sheet_resistance_ohm: value(found.sheet_resistance_ohm),
                resistivity_ohm_m: value(found.resistivity_ohm_m),
                hall_coefficient_m3_per_c: value(found.hall_coefficient_m3_per_c),
                sheet_carrier_density_per_m2: value(found.sheet_carrier_density_per_m2),
                carrier_density_per_m3: value(found.carrier_density_per_m3),
                mobility_m2_per_v_s: value(found.mobility_m2_per_v_s),
                carrier_type: found.carrier_type.map(|sign| format!("{sign:?}").to_lowercase()),
                checks: point.reduced.checks.iter().map(check).collect(),
                accepted: point.reduced.accepted(),
                remarks: point.reduced.remarks.clone(),
            }
        });
        let gaps = reduction.gaps.iter().map(|gap| Self {
            sample: gap.sample.clone(),
            temperature_k: gap.temperature_k.unwrap_or(f64::NAN),
            remarks: vec![gap.reason.clone()],
            ..Self::default()
        });
        // A sample without a reading at any temperature has no place among them.
        points.chain(gaps.filter(|gap| gap.temperature_k.is_finite())).collect()
    }
}
