//! Inverse problem: readings to results with uncertainties
