//! Checks of the whole: arrows between rooms, tidiness, the README. The checks are in `tests/`; the outside checks, in
//! Python, are in `outside/`.
