//! What a recipe may not ask of a bench or a sample: each a fault at the line of the recipe.

use crate::{EquippedBench, Ramps, Round};
use quadrille_documents::{Fault, Faults, Located, Recipe, Role, Sample, Switch};
use quadrille_experiment::Configuration;
use quadrille_quantity::{Ampere, Kelvin, Tesla, Volt, Watt};

/// The lowest of what bench and sample allow, each with whose it is.
pub(crate) struct Allowed {
    pub(crate) current: (Ampere, &'static str),
    pub(crate) voltage: (Volt, &'static str),
    pub(crate) power: (Watt, &'static str),
}

impl Allowed {
    pub(crate) fn of(equipped: &EquippedBench, sample: &Sample) -> Self {
        let bench = equipped.bench.limits;
        let mut allowed = Self {
            current: (Ampere(bench.current_a), "bench"),
            voltage: (Volt(bench.voltage_v), "bench"),
            power: (Watt(bench.power_w), "bench"),
        };
        if let Some(limits) = sample.limits {
            lower(&mut allowed.current, Ampere(limits.current_a));
            lower(&mut allowed.voltage, Volt(limits.voltage_v));
            lower(&mut allowed.power, Watt(limits.power_w));
        }
        allowed
    }
}

fn lower<Q: PartialOrd>(allowed: &mut (Q, &'static str), of_sample: Q) {
    if of_sample < allowed.0 {
        *allowed = (of_sample, "sample");
    }
}

pub(crate) fn check(equipped: &EquippedBench, sample: &Sample, recipe: &Recipe) -> Result<(), Faults> {
    equipped.bench.wiring.columns_of_each(&[sample])?;
    let mut faults = Vec::new();
    amounts(equipped, sample, recipe, &mut faults);
    switches(equipped, recipe, &mut faults);
    temperatures(equipped, recipe, &mut faults);
    fields(equipped, recipe, &mut faults);
    let resistivity = recipe.resistivity.iter().flat_map(|part| &part.configurations);
    let hall = recipe.hall.iter().flat_map(|part| &part.configurations);
    faults.extend(crate::contacts::beyond(recipe));
    let contacts = contacts(equipped, sample);
    faults.extend(resistivity.chain(hall).filter_map(|configuration| beyond(configuration, contacts)));
    if faults.is_empty() { Ok(()) } else { Err(Faults(faults)) }
}

fn temperatures(equipped: &EquippedBench, recipe: &Recipe, faults: &mut Vec<Fault>) {
    let temperatures = &recipe.temperatures_k;
    let Some(cryostat) = equipped.bench.cryostat else {
        if let [_, second, ..] = temperatures.as_slice() {
            let remedy = "write one temperature, or a bench with a temperature-controller";
            faults.push(second.fault("this bench has nobody to change the temperature in a run", remedy));
        }
        return;
    };
    let (least, most) = (cryostat.lowest_k, cryostat.highest_k);
    let mut beyond: Vec<&Located<f64>> =
        temperatures.iter().filter(|kelvin| !(least..=most).contains(&kelvin.value)).collect();
    // A range is one place.
    beyond.dedup_by(|next, before| next.place == before.place);
    faults.extend(beyond.into_iter().map(|kelvin| {
        let problem = format!("{} is beyond what the cryostat may be asked for", Kelvin(kelvin.value));
        kelvin.fault(problem, format!("write kelvins from {least} to {most}"))
    }));
    if let Some(ramp) = &recipe.stability.ramp_k_per_min
        && ramp.value > cryostat.most_ramp_k_per_min
    {
        let problem = format!("{} K/min is faster than the cryostat bears", ramp.value);
        faults.push(ramp.fault(problem, format!("write at most {}", cryostat.most_ramp_k_per_min)));
    }
}

/// A temperature that the ramp cannot reach within the longest wait from the one before it, whatever the cryostat does.
pub(crate) fn ways(recipe: &Recipe, ramps: Ramps, rounds: &[Round]) -> Result<(), Faults> {
    let Some(ramp) = ramps.kelvin_per_minute else { return Ok(()) };
    let longest_s = recipe.stability.longest_wait_s;
    let mut faults: Vec<Fault> = Vec::new();
    for (before, next) in rounds.iter().zip(rounds.iter().skip(1)) {
        let way = Kelvin((next.temperature - before.temperature).0.abs());
        let takes_s = (way.0 - recipe.stability.within_k) / ramp * 60.0;
        if takes_s <= longest_s {
            continue;
        }
        let written = recipe.temperatures_k.iter().find(|kelvin| kelvin.value == next.temperature.0);
        let Some(written) = written else { continue };
        let problem = format!(
            "{} is {way} from {}, the temperature before it: {takes_s:.0} s at {ramp} K/min, and longest_wait_s is {longest_s}",
            next.temperature, before.temperature
        );
        let remedy = format!(
            "write longest_wait_s = {} or more in [stability], a faster ramp_k_per_min, or a temperature between",
            (takes_s + recipe.stability.for_s).ceil()
        );
        let fault = written.fault(problem, remedy);
        // A range is one place.
        if !faults.iter().any(|told| told.place == fault.place) {
            faults.push(fault);
        }
    }
    if faults.is_empty() { Ok(()) } else { Err(Faults(faults)) }
}

fn fields(equipped: &EquippedBench, recipe: &Recipe, faults: &mut Vec<Fault>) {
    let (Some(magnet), Some(hall)) = (equipped.bench.magnet, &recipe.hall) else { return };
    if let Some(hand) = &hall.hand {
        let (problem, remedy) = ("this bench has a supply that sets the field", "leave hand out");
        let place = hand.place.clone();
        faults.push(Fault { place, problem: problem.to_owned(), remedy: remedy.to_owned() });
    }
    let most = magnet.most_field_t;
    let mut beyond: Vec<&Located<f64>> =
        hall.fields_t.iter().filter(|field| field.value.abs() > most).collect();
    beyond.dedup_by(|next, before| next.place == before.place);
    faults.extend(beyond.into_iter().map(|field| {
        let problem = format!("{} is beyond what the magnet may be asked for", Tesla(field.value));
        field.fault(problem, format!("write at most {most} T of either sign"))
    }));
}

fn amounts(equipped: &EquippedBench, sample: &Sample, recipe: &Recipe, faults: &mut Vec<Fault>) {
    let allowed = Allowed::of(equipped, sample);
    let (Some(written_current), Some(written_limit)) = (&recipe.current_a, &recipe.voltage_limit_v) else {
        return;
    };
    let (current, limit) = (Ampere(written_current.value), Volt(written_limit.value));
    if current > allowed.current.0 {
        let (most, whose) = allowed.current;
        faults.push(written_current.fault(
            format!("{current} is above the {whose}'s limit of {most}"),
            format!("write at most {:e}", most.0),
        ));
    }
    if limit > allowed.voltage.0 {
        let (most, whose) = allowed.voltage;
        faults.push(written_limit.fault(
            format!("{limit} is above the {whose}'s limit of {most}"),
            format!("write at most {:e}", most.0),
        ));
    }
    let power = limit * current;
    if power > allowed.power.0 {
        let (most, whose) = allowed.power;
        faults.push(written_limit.fault(
            format!("{limit} times {current} is {power}, above the {whose}'s limit of {most}"),
            format!("write at most {:e} V, or a smaller current", most.0 / current.0),
        ));
    }
    for (role, what) in [(Role::CurrentSource, "source"), (Role::Ammeter, "ammeter")] {
        if let Some(dialect) = equipped.dialect(role)
            && dialect.facts.range_for(current.0).is_none()
        {
            let most = dialect.facts.ranges.last().map_or(0.0, |range| range.full_scale);
            faults.push(written_current.fault(
                format!("{current} is above the largest range of the {what}, {}", Ampere(most)),
                format!("write at most {most:e}"),
            ));
        }
    }
    let Some(voltmeter) = equipped.dialect(Role::Voltmeter) else { return };
    let most = voltmeter.facts.ranges.last().map_or(0.0, |range| range.full_scale);
    match &recipe.voltage_range_v {
        Some(range) if voltmeter.facts.range_for(range.value).is_none() => {
            faults.push(range.fault("the voltmeter has no such range", format!("write at most {most:e}")));
        }
        // The first look of a leg is on the range that holds the voltage limit.
        None if voltmeter.facts.range_for(limit.0).is_none() => faults.push(written_limit.fault(
            format!("{limit} is above the largest range of the voltmeter, {}", Volt(most)),
            format!("write at most {most:e}, or pin voltage_range_v"),
        )),
        _ => {}
    }
}

fn switches(equipped: &EquippedBench, recipe: &Recipe, faults: &mut Vec<Fault>) {
    if recipe.guard.value == Switch::On && !equipped.can_guard() {
        let remedy =
            "write guard = \"off\", or wiring.guard = true and guard commands in the source's dialect";
        faults.push(recipe.guard.fault("this bench has no guard to drive", remedy));
    }
    if recipe.buffers.value == Switch::On && equipped.bench.wiring.buffers.is_none() {
        let remedy = "write buffers = \"off\", or [wiring.buffers] in the bench document";
        faults.push(recipe.buffers.fault("this bench has no buffers", remedy));
    }
}

/// How many contacts can be used: those that the sample has and the bench wires.
pub(crate) fn contacts(equipped: &EquippedBench, sample: &Sample) -> usize {
    let wired = equipped.bench.wiring.columns_of(&sample.name.value).map_or(0, <[u16]>::len);
    sample.contacts.min(wired)
}

fn beyond(configuration: &Located<Configuration>, contacts: usize) -> Option<Fault> {
    let highest = configuration.value.contacts().into_iter().max()?;
    (usize::from(highest.number()) > contacts).then(|| {
        let problem =
            format!("{} uses contact {highest}, but only {contacts} are there", configuration.value);
        configuration.fault(problem, format!("write contacts from 1 to {contacts}"))
    })
}
