//! A message out and some bytes in over any stream, with the link's resource in every error.

use crate::{LinkError, Resource};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};

/// Most that one receive takes.
const CHUNK: usize = 16 * 1024;

pub(crate) async fn send<S: AsyncWrite + Unpin>(
    stream: &mut S,
    resource: &Resource,
    message: &[u8],
) -> Result<(), LinkError> {
    stream.write_all(message).await.map_err(|error| LinkError::new(resource, "send", error))
}

pub(crate) async fn receive<S: AsyncRead + Unpin>(
    stream: &mut S,
    resource: &Resource,
) -> Result<Vec<u8>, LinkError> {
    let mut bytes = vec![0; CHUNK];
    match stream.read(&mut bytes).await {
        Ok(0) => Err(LinkError::ended(resource, "receive")),
        Ok(count) => {
            bytes.truncate(count);
            Ok(bytes)
        }
        Err(error) => Err(LinkError::new(resource, "receive", error)),
    }
}
