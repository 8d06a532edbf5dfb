//! Benches on threads of their own, a queue of runs for each, and what a person may do to them over HTTP.

pub mod api;
pub mod audit;
pub mod client;
pub mod config;
pub mod console;
mod guard;
pub mod host;
pub mod library;
mod limits;
mod metrics;
pub mod moment;
mod page;
pub mod problem;
pub mod secret;
pub mod serve;
mod sessions;
pub mod site;
pub mod tokens;
pub mod view;
pub mod who;
