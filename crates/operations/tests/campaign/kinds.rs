//! What is wrong in a case, as the simulated bench is told it, and what the diagnosis should say.

use super::draw::Draw;
use super::standards::Ring;
use quadrille_diagnosis::{Class, Fault, Noisy, Row};
use quadrille_operations::{Size, Strength};

/// What a case is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    Good,
    GoodWild,
    GoodEdge,
    LeadOpen,
    LeadsExchanged,
    CrosspointOpen,
    CrosspointClosed,
    CurrentRowOpen,
    SenseRowOpen,
    Resistor,
    EdgeLeak,
    DiagonalLeak,
    GroundLeak,
    Loaded,
    BuffersOut,
    GuardOff,
    AmmeterShorted,
    AmmeterOverload,
    AmmeterCoarse,
    AmmeterSign,
    VoltmeterOverload,
    VoltmeterCoarse,
    SenseReversed,
    Noisy,
    Compliance,
    SourceSign,
    Scale,
    TwoResistors,
    TwoFaults,
    TwoLargeFaults,
    Outside,
}

impl Kind {
    pub const ALL: [Self; 31] = [
        Self::Good,
        Self::GoodWild,
        Self::GoodEdge,
        Self::LeadOpen,
        Self::LeadsExchanged,
        Self::CrosspointOpen,
        Self::CrosspointClosed,
        Self::CurrentRowOpen,
        Self::SenseRowOpen,
        Self::Resistor,
        Self::EdgeLeak,
        Self::DiagonalLeak,
        Self::GroundLeak,
        Self::Loaded,
        Self::BuffersOut,
        Self::GuardOff,
        Self::AmmeterShorted,
        Self::AmmeterOverload,
        Self::AmmeterCoarse,
        Self::AmmeterSign,
        Self::VoltmeterOverload,
        Self::VoltmeterCoarse,
        Self::SenseReversed,
        Self::Noisy,
        Self::Compliance,
        Self::SourceSign,
        Self::Scale,
        Self::TwoResistors,
        Self::TwoFaults,
        Self::TwoLargeFaults,
        Self::Outside,
    ];

    pub fn is_good(self) -> bool {
        matches!(self, Self::Good | Self::GoodWild | Self::GoodEdge)
    }

    /// Whether no class of the list is right.
    pub fn is_none_of_these(self) -> bool {
        matches!(self, Self::TwoFaults | Self::TwoLargeFaults | Self::Outside)
    }

    /// Whether a bench can show it at all with a standard of this size.
    pub fn exists(self, ring: &Ring) -> bool {
        match self {
            // In kilohms neither changes a reading by as much as its noise; a current of 50 pA is on the smallest range.
            Self::GuardOff | Self::BuffersOut => ring.scale.is_large(),
            Self::AmmeterOverload => !ring.scale.is_large(),
            _ => true,
        }
    }
}

/// Faults of a case in the order in which they are put in force, and the class that names them; `None` where none does.
#[derive(Clone, Debug)]
pub struct Wrong {
    pub faults: Vec<String>,
    pub class: Option<Class>,
}

impl Wrong {
    fn one(fault: String, class: Class) -> Self {
        Self { faults: vec![fault], class: Some(class) }
    }
}

const ROWS: [Row; 4] = [Row::Source, Row::Return, Row::SenseHigh, Row::SenseLow];

/// How much larger than the smallest that is seen a fault is at least.
const SEEN: f64 = 2.0;

/// The same of two large faults.
const LARGE: f64 = 20.0;

/// No meter is noisier by more than this: a diagnosis takes what would be noisier by more than a thousand for another fault.
const MOST_NOISY: f64 = 900.0;

/// Nor by more than this many times the least of a case.
const NOISIER: f64 = 20.0;

/// What a standard shows, and how far beyond that a fault is.
#[derive(Clone, Copy)]
struct Seen<'s> {
    strength: &'s Strength,
    margin: f64,
}

impl Seen<'_> {
    fn limit(&self, fault: Fault) -> Size {
        let found = self.strength.limits.iter().find(|limit| limit.fault == fault);
        found.unwrap_or_else(|| panic!("{fault:?} has no limit")).size
    }

    /// The largest resistance of a leak or load that a case may have.
    fn most_ohm(&self, fault: Fault) -> f64 {
        let Size::Ohm(ohm) = self.limit(fault) else { panic!("{fault:?} is no resistance") };
        ohm / self.margin
    }

    /// Logarithm of the smallest factor that a case may have.
    fn least_factor(&self, fault: Fault) -> f64 {
        let Size::Factor(factor) = self.limit(fault) else { panic!("{fault:?} is no factor") };
        (factor.ln().abs() * self.margin).min(0.5)
    }

    /// Factor of a meter's noise.
    fn noisy(&self, draw: &mut Draw, whose: Noisy) -> f64 {
        let Size::Factor(least) = self.limit(Fault::Noisy(whose)) else { panic!("noise is a factor") };
        let least = least * self.margin;
        draw.log_within(least, (least * NOISIER).min(MOST_NOISY))
    }

    /// What a resistor is off by, either way.
    fn off(&self, draw: &mut Draw, resistor: usize) -> f64 {
        let least = self.least_factor(Fault::ResistorOff(resistor));
        let logarithm = draw.log_within(least, 0.7) * draw.sign();
        format!("{:.4}", logarithm.exp()).parse().unwrap_or(2.0)
    }
}

/// What is wrong in a case of a kind, of a size that its standard shows.
pub fn wrong(kind: Kind, ring: &Ring, strength: &Strength, draw: &mut Draw) -> Wrong {
    of_size(kind, ring, Seen { strength, margin: SEEN }, draw)
}

fn of_size(kind: Kind, ring: &Ring, seen: Seen<'_>, draw: &mut Draw) -> Wrong {
    let scale = ring.scale.ohm();
    match kind {
        Kind::Good | Kind::GoodEdge => Wrong { faults: Vec::new(), class: Some(Class::Good) },
        Kind::GoodWild => Wrong::one(wild(ring, draw), Class::Good),
        Kind::LeadOpen => {
            let k = draw.below(4);
            Wrong::one(format!("wiring open {}", k + 1), Class::ContactOpen(k))
        }
        Kind::LeadsExchanged => {
            let (i, j) = sorted(draw.two_below(4));
            Wrong::one(format!("wiring exchanged {} {}", i + 1, j + 1), Class::LeadsSwapped(i, j))
        }
        Kind::CrosspointOpen | Kind::CrosspointClosed => {
            let (row, k) = (draw.below(4), draw.below(4));
            let (word, class) = match kind {
                Kind::CrosspointOpen => ("stuck-open", Class::CrosspointOpen(ROWS[row], k)),
                _ => ("welded", Class::CrosspointClosed(ROWS[row], k)),
            };
            Wrong::one(format!("matrix {word} {}!{}", row + 1, k + 1), class)
        }
        Kind::CurrentRowOpen => {
            let row = draw.choose(&["source", "return"]);
            Wrong::one(format!("wiring row-open {row}"), Class::CurrentRowOpen)
        }
        Kind::SenseRowOpen => {
            let row = draw.choose(&["sense-high", "sense-low"]);
            Wrong::one(format!("wiring row-open {row}"), Class::SenseRowOpen)
        }
        Kind::Resistor => {
            let k = draw.below(4);
            Wrong::one(format!("standard resistor {} {}", k + 1, seen.off(draw, k)), Class::Edge(k))
        }
        Kind::EdgeLeak => {
            let k = draw.below(4);
            let most = seen.most_ohm(leak(k, (k + 1) % 4));
            let ohm = draw.log_within(0.3 * ring.ohms[k], most);
            Wrong::one(format!("wiring leak {} {} {ohm:e}", k + 1, (k + 1) % 4 + 1), Class::Edge(k))
        }
        Kind::DiagonalLeak => {
            let (i, j) = draw.choose(&[(0, 2), (1, 3)]);
            let ohm = draw.log_within(0.3 * scale, seen.most_ohm(leak(i, j)));
            Wrong::one(format!("wiring leak {} {} {ohm:e}", i + 1, j + 1), Class::DiagonalLeak(i, j))
        }
        Kind::GroundLeak => {
            let k = draw.below(4);
            let ohm = draw.log_within(scale, seen.most_ohm(Fault::LeakToGround(k)));
            Wrong::one(format!("wiring leak-to-ground {} {ohm:e}", k + 1), Class::GroundLeak(k))
        }
        Kind::Loaded => {
            let ohm = draw.log_within(0.5 * scale, seen.most_ohm(Fault::Loading));
            Wrong::one(format!("wiring loaded {ohm:e}"), Class::Loading)
        }
        Kind::BuffersOut => Wrong::one("wiring buffers-out".into(), Class::Loading),
        Kind::GuardOff => Wrong::one("wiring guard-broken".into(), Class::GuardOff),
        Kind::AmmeterShorted => Wrong::one("ammeter shorted".into(), Class::AmmeterShorted),
        Kind::AmmeterOverload => {
            let range = draw.choose(&["1e-9", "1e-7", "1e-5"]);
            Wrong::one(format!("ammeter range {range}"), Class::AmmeterOverload)
        }
        Kind::AmmeterCoarse => {
            let range = if ring.scale.is_large() { "1e-7" } else { "0.1" };
            Wrong::one(format!("ammeter range {range}"), Class::AmmeterCoarse)
        }
        Kind::AmmeterSign => Wrong::one("ammeter reversed".into(), Class::AmmeterSign),
        Kind::VoltmeterOverload => Wrong::one("voltmeter range 0.01".into(), Class::VoltmeterOverload),
        Kind::VoltmeterCoarse => Wrong::one("voltmeter range 100".into(), Class::VoltmeterCoarse),
        Kind::SenseReversed => {
            let fault = draw.choose(&[
                "voltmeter reversed",
                "wiring rows-exchanged sense-high sense-low",
                "wiring rows-exchanged source return",
            ]);
            Wrong::one(fault.into(), Class::SenseReversed)
        }
        Kind::Noisy => {
            let (volt, ampere) = (seen.noisy(draw, Noisy::Voltmeter), seen.noisy(draw, Noisy::Ammeter));
            let faults = match draw.below(3) {
                0 => vec![format!("voltmeter noisy {volt:.1}")],
                1 => vec![format!("ammeter noisy {ampere:.1}")],
                _ => vec![format!("voltmeter noisy {volt:.1}"), format!("ammeter noisy {ampere:.1}")],
            };
            Wrong { faults, class: Some(Class::Noisy) }
        }
        Kind::Compliance => {
            let volt = draw.within(0.3, 0.9) * largest_volt(ring);
            Wrong::one(format!("source limited {volt:.4}"), Class::ComplianceLow)
        }
        Kind::SourceSign => Wrong::one("source reversed".into(), Class::SourceSign),
        Kind::Scale => {
            let (fault, class) = draw
                .choose(&[("standard scaled", Fault::AllScaled), ("voltmeter gain", Fault::VoltmeterGain)]);
            let factor = (draw.sign() * draw.log_within(seen.least_factor(class), 1.5)).exp();
            Wrong::one(format!("{fault} {factor:.4}"), Class::Scale)
        }
        Kind::TwoResistors => {
            let (i, j) = sorted(draw.two_below(4));
            let faults =
                [i, j].map(|k| format!("standard resistor {} {}", k + 1, seen.off(draw, k))).to_vec();
            Wrong { faults, class: Some(Class::TwoEdges(i, j)) }
        }
        Kind::TwoFaults => Wrong { faults: two(ring, seen, draw), class: None },
        Kind::TwoLargeFaults => {
            Wrong { faults: two(ring, Seen { margin: LARGE, ..seen }, draw), class: None }
        }
        Kind::Outside => Wrong { faults: outside(draw), class: None },
    }
}

/// Two of different kinds, each of which would be seen alone.
fn two(ring: &Ring, seen: Seen<'_>, draw: &mut Draw) -> Vec<String> {
    const KINDS: [Kind; 7] = [
        Kind::LeadsExchanged,
        Kind::CrosspointClosed,
        Kind::Resistor,
        Kind::DiagonalLeak,
        Kind::GroundLeak,
        Kind::Loaded,
        Kind::CrosspointOpen,
    ];
    loop {
        let (i, j) = draw.two_below(KINDS.len());
        let faults: Vec<String> =
            [i, j].into_iter().flat_map(|k| of_size(KINDS[k], ring, seen, draw).faults).collect();
        // One relay that neither opens nor closes is one fault.
        let of: Vec<Option<&str>> = faults.iter().map(|fault| fault.split(' ').next_back()).collect();
        if of[0] != of[1] {
            return faults;
        }
    }
}

/// Single faults that no class of the list is of.
fn outside(draw: &mut Draw) -> Vec<String> {
    let (a, b) = draw.two_below(4);
    let c = (0..4).find(|c| *c != a && *c != b).unwrap_or(0);
    let rows = ["source", "return"];
    let sense = ["sense-high", "sense-low"];
    match draw.below(3) {
        // Three leads run round.
        0 => vec![
            format!("wiring exchanged {} {}", a + 1, b + 1),
            format!("wiring exchanged {} {}", b + 1, c + 1),
        ],
        1 => vec![format!("wiring rows-exchanged {} {}", draw.choose(&rows), draw.choose(&sense))],
        _ => vec![format!("ammeter gain {:.3}", (draw.sign() * draw.within(0.05, 0.5)).exp())],
    }
}

/// One answer that is far off, at some moment of the proof.
fn wild(ring: &Ring, draw: &mut Draw) -> String {
    let after = draw.below(16);
    if draw.below(2) == 0 {
        let volt = draw.sign() * draw.log_within(0.01, 0.5);
        return format!("voltmeter wild {volt:.4} once after {after}");
    }
    let ampere = draw.sign() * draw.log_within(0.05, 2.0) * largest_volt(ring) / (2.0 * ring.scale.ohm());
    format!("ammeter wild {ampere:e} once after {after}")
}

fn leak(a: usize, b: usize) -> Fault {
    Fault::Leak(a.min(b), a.max(b))
}

/// About the largest voltage between two contacts in a proof.
fn largest_volt(ring: &Ring) -> f64 {
    let sum: f64 = ring.ohms.iter().sum();
    let half = |a: f64| a * (sum - a) / sum;
    let [a, b, c, d] = ring.ohms;
    let largest = [a, b, c, d, a + b, b + c].map(half).into_iter().fold(0.0, f64::max);
    // A proof drives at most a volt, at a current of one, two or five times a power of ten.
    let most = 1.0 / largest;
    let decade = 10f64.powf(most.log10().floor());
    let current = [5.0, 2.0, 1.0].into_iter().map(|step| step * decade).find(|i| *i <= most);
    current.unwrap_or(decade) * largest
}

fn sorted((a, b): (usize, usize)) -> (usize, usize) {
    (a.min(b), a.max(b))
}
