//! What the readings of a known network say of the bench that took them: which fault is likeliest, which cannot be told
//! apart, what was not tested. Pure, with a forward model of its own; it never sees the simulator, which would agree with
//! every mistake.
