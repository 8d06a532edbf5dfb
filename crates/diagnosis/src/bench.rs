//! What the bench is made of, in plain numbers: the facts from which a healthy bench's readings are predicted, and how
//! well each of them is known. Knows no document and no instrument.

use crate::DiagnosisError;

/// One range of a meter or of the source. Volts for the voltmeter, amperes for ammeter and source.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Range {
    /// Full scale.
    pub full_scale: f64,
    /// Relative standard uncertainty of the gain; common to all readings on this range.
    pub gain_u: f64,
    /// Standard uncertainty of the offset; common to all readings on this range.
    pub offset_u: f64,
    /// Standard deviation of one reading at the aperture used; of the source, of one setting.
    pub noise: f64,
    /// Step between neighbouring values that the range can show; zero where it is not known.
    pub quantum: f64,
}

/// The current source.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SourceModel {
    /// Ranges from the smallest to the largest.
    pub ranges: Vec<Range>,
    /// Resistance in parallel with its output, in ohms.
    pub output_ohm: f64,
    /// Relative standard uncertainty of its voltage limit.
    pub limit_u: f64,
}

/// The voltmeter.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct VoltmeterModel {
    /// Ranges from the smallest to the largest.
    pub ranges: Vec<Range>,
    /// Resistance between its terminals, in ohms.
    pub input_ohm: f64,
    /// Resistance from its low terminal to ground, in ohms; infinite where it floats.
    pub low_to_ground_ohm: f64,
    /// Standard uncertainty of the current out of each terminal, in amperes.
    pub bias_a: f64,
    /// Overload is shown above this part of full scale.
    pub overload: f64,
}

/// The ammeter in the return lead.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct AmmeterModel {
    /// Ranges from the smallest to the largest.
    pub ranges: Vec<Range>,
    /// Resistance between its terminals, in ohms.
    pub burden_ohm: f64,
    /// The same while its input is shorted, in ohms.
    pub shorted_ohm: f64,
    /// Overload is shown above this part of full scale.
    pub overload: f64,
}

/// The switch matrix.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct MatrixModel {
    /// Resistance of a closed crosspoint, in ohms.
    pub closed_ohm: f64,
    /// Standard deviation of its logarithm from one crosspoint to another.
    pub closed_spread: f64,
    /// Resistance of an open crosspoint, in ohms.
    pub open_ohm: f64,
    /// Standard deviation of its decimal logarithm from one crosspoint to another.
    pub open_decades: f64,
    /// Thermoelectric voltage of a closed crosspoint: standard deviation, in volts.
    pub thermoelectric_v: f64,
}

/// The lead from a column of the matrix to a contact of the standard.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct LeadModel {
    /// Resistance with its plug, in ohms; above zero.
    pub ohm: f64,
    /// Standard deviation of its logarithm.
    pub spread: f64,
}

/// A cable of a row or of a column.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct CableModel {
    /// Insulation to ground where the guard is not driven, in ohms.
    pub insulation_ohm: f64,
    /// The same where it is driven.
    pub guarded_insulation_ohm: f64,
    /// Standard deviation of the decimal logarithm of either.
    pub decades: f64,
    /// Capacitance to ground where the guard is not driven, in farads.
    pub capacitance_f: f64,
}

/// Buffers in the sense lines.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct BuffersModel {
    /// Resistance from each input to ground, in ohms.
    pub input_ohm: f64,
    /// Standard uncertainty of the current out of each input, in amperes.
    pub bias_a: f64,
}

/// A bench with the way in which it was used for one set of readings.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct BenchModel {
    /// The current source.
    pub source: SourceModel,
    /// The voltmeter.
    pub voltmeter: VoltmeterModel,
    /// The ammeter.
    pub ammeter: AmmeterModel,
    /// The switch matrix.
    pub matrix: MatrixModel,
    /// The leads.
    pub lead: LeadModel,
    /// The cables.
    pub cable: CableModel,
    /// The buffers, where they were told to be in the sense lines.
    pub buffers: Option<BuffersModel>,
    /// Whether the guard was told to be driven.
    pub guard: bool,
    /// Wait between switching the source on and the beginning of a reading, in seconds.
    pub settle_s: f64,
    /// Part of a reading that may be wrong for reasons that nothing else here names: settling, drift, loops.
    pub relative_floor: f64,
}

impl BenchModel {
    /// Refuses numbers from which no circuit can be made.
    pub fn check(&self) -> Result<(), DiagnosisError> {
        let ohms = [
            ("output resistance of the source in ohms", self.source.output_ohm),
            ("input resistance of the voltmeter in ohms", self.voltmeter.input_ohm),
            ("burden of the ammeter in ohms", self.ammeter.burden_ohm),
            ("burden of the shorted ammeter in ohms", self.ammeter.shorted_ohm),
            ("resistance of a closed crosspoint in ohms", self.matrix.closed_ohm),
            ("resistance of an open crosspoint in ohms", self.matrix.open_ohm),
            ("resistance of a lead in ohms", self.lead.ohm),
            ("insulation of a cable in ohms", self.cable.insulation_ohm),
            ("guarded insulation of a cable in ohms", self.cable.guarded_insulation_ohm),
            ("input resistance of the buffers in ohms", self.buffers.map_or(1.0, |b| b.input_ohm)),
        ];
        for (quantity, value) in ohms {
            if !(value.is_finite() && value > 0.0) {
                return Err(DiagnosisError::OutOfRange { quantity, value });
            }
        }
        let low = self.voltmeter.low_to_ground_ohm;
        if low.is_nan() || low <= 0.0 {
            let quantity = "resistance from the voltmeter's low terminal to ground in ohms";
            return Err(DiagnosisError::OutOfRange { quantity, value: low });
        }
        let all = [
            ("source", &self.source.ranges),
            ("voltmeter", &self.voltmeter.ranges),
            ("ammeter", &self.ammeter.ranges),
        ];
        for (instrument, ranges) in all {
            let rising = ranges.windows(2).all(|pair| pair[0].full_scale < pair[1].full_scale);
            if ranges.is_empty() || !rising {
                return Err(DiagnosisError::Ranges { instrument });
            }
        }
        Ok(())
    }

    /// Resistances to ground that a cable has as the guard was told to be.
    pub(crate) fn insulation_ohm(&self, guard: bool) -> f64 {
        if guard { self.cable.guarded_insulation_ohm } else { self.cable.insulation_ohm }
    }
}

/// The place of the smallest range that holds a value, or of the largest where none does.
pub(crate) fn range_for(ranges: &[Range], value: f64) -> usize {
    let holds = |range: &Range| range.full_scale >= value.abs() * (1.0 - 1e-9);
    ranges.iter().position(holds).unwrap_or(ranges.len() - 1)
}
