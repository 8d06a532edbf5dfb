//! Byte links to VISA resources, and the same links served
