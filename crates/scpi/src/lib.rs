//! The language of IEEE 488.2 and SCPI-1999, without I/O
