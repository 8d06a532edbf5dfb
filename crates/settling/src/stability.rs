//! Whether a sensor is stable, by drift and scatter over a window instead of by a timer.
