#!/bin/sh
# Everything that must pass: format, lints, documentation, tests of every room, outside checks.
# Installs what it needs; run it from anywhere.
set -eu
cd "$(dirname "$0")/.."

cargo fmt --all --check
cargo clippy --quiet --locked --workspace --all-targets -- -D warnings
RUSTDOCFLAGS="-D warnings" cargo doc --quiet --locked --workspace --no-deps
cargo test --quiet --locked --workspace
sh tests/outside.sh
