//! Forward problem: circuits and films with contacts, at rest and in time
