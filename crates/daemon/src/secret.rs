//! Files that hold secrets: read only where nobody but their owner may read them, written only so.

use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::Path;

/// Largest file of secrets, in bytes.
const LARGEST: u64 = 1 << 20;

/// Why a file of secrets is not read.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    /// It cannot be read.
    #[error("{0} cannot be read: {1}")]
    File(String, std::io::Error),
    /// Others may read it, or change it.
    #[error("{0} has mode {1:03o}, so that others may read or change it: chmod 600 {0}")]
    Mode(String, u32),
}

/// Reads a file of secrets. Its mode is asked of the file that was opened, not of the path.
pub fn read(path: &Path) -> Result<String, SecretError> {
    let at = |error| SecretError::File(path.display().to_string(), error);
    let file = File::open(path).map_err(at)?;
    let mode = file.metadata().map_err(at)?.permissions().mode() & 0o777;
    if mode & 0o077 != 0 {
        return Err(SecretError::Mode(path.display().to_string(), mode));
    }
    let mut text = String::new();
    file.take(LARGEST).read_to_string(&mut text).map_err(at)?;
    Ok(text)
}

/// Writes a file of secrets whole: what was there before is there until all of it is on the disk.
pub(crate) fn write(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let beside = path.with_extension("new");
    // Left by a crash; it may have another mode.
    match std::fs::remove_file(&beside) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&beside)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    std::fs::rename(&beside, path)
}
