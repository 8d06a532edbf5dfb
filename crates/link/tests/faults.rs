//! What instruments and wires do to links: answers that come late, sockets that free up slowly, lines held by another.
#![allow(clippy::unwrap_used)]

use quadrille_link::{Link, OpenOptions, PtyServer, Server, Spoil, Spoiled, TcpServer, Traced, memory, open};
use std::io;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::time::{Instant, timeout};

async fn loopback() -> TcpServer {
    TcpServer::bind("127.0.0.1:0".parse().unwrap()).await.unwrap()
}

/// The bytes of a fresh link up to and including the newline.
async fn line(link: &mut dyn Link) -> Vec<u8> {
    let mut bytes = Vec::new();
    while bytes.last() != Some(&b'\n') {
        bytes.extend(link.receive().await.unwrap());
    }
    bytes
}

/// Takes a question and answers it after the device has become free again.
async fn answer_late(server: &mut impl Server, answer: &[u8]) {
    let mut stream = server.accept().await.unwrap();
    stream.read_u8().await.unwrap();
    tokio::time::sleep(Duration::from_millis(50)).await;
    // The client may be gone: that is what is tested.
    let _ = stream.write_all(answer).await;
}

#[tokio::test]
async fn an_answer_that_comes_late_does_not_survive_the_clearing_of_a_socket() {
    let mut server = loopback().await;
    let resource = server.resource().clone();
    let device = tokio::spawn(async move {
        answer_late(&mut server, b"stale\n").await;
        answer_late(&mut server, b"fresh\n").await;
    });
    let mut link = open(&resource, OpenOptions::default()).await.unwrap();
    link.send(b"?\n").await.unwrap();
    assert!(timeout(Duration::from_millis(10), link.receive()).await.is_err());
    link.clear().await.unwrap();
    link.send(b"?\n").await.unwrap();
    assert_eq!(line(&mut link).await, b"fresh\n");
    device.await.unwrap();
}

#[tokio::test]
async fn without_clearing_it_is_taken_for_the_next_answer() {
    let mut server = loopback().await;
    let resource = server.resource().clone();
    let device = tokio::spawn(async move { answer_late(&mut server, b"stale\n").await });
    let mut link = open(&resource, OpenOptions::default()).await.unwrap();
    link.send(b"?\n").await.unwrap();
    assert!(timeout(Duration::from_millis(10), link.receive()).await.is_err());
    link.send(b"?\n").await.unwrap();
    assert_eq!(line(&mut link).await, b"stale\n");
    device.await.unwrap();
}

#[tokio::test]
async fn clearing_waits_for_an_instrument_whose_one_socket_is_slow_to_free_up() {
    let mut server = loopback().await;
    let resource = server.resource().clone();
    let mut link = open(&resource, OpenOptions::default()).await.unwrap();
    drop(server.accept().await.unwrap());
    let address = format!("127.0.0.1:{}", resource.to_string().split("::").nth(2).unwrap());
    drop(server);
    let device = tokio::spawn(async move {
        tokio::time::sleep(Duration::from_millis(200)).await;
        let mut server = TcpServer::bind(address.parse().unwrap()).await.unwrap();
        server.accept().await.unwrap().write_all(b"back\n").await.unwrap();
    });
    link.clear().await.unwrap();
    assert_eq!(line(&mut link).await, b"back\n");
    device.await.unwrap();
}

#[tokio::test]
async fn a_clearing_that_fails_leaves_the_link_closed_until_one_succeeds() {
    let mut server = loopback().await;
    let resource = server.resource().clone();
    let options = OpenOptions { timeout: Duration::from_millis(120), ..Default::default() };
    let mut link = open(&resource, options).await.unwrap();
    drop(server.accept().await.unwrap());
    drop(server);
    let error = link.clear().await.unwrap_err();
    assert_eq!(error.source.kind(), io::ErrorKind::ConnectionRefused, "{error}");
    assert!(link.send(b"?\n").await.unwrap_err().to_string().contains("the link is closed"));
    assert!(link.receive().await.unwrap_err().to_string().contains("the link is closed"));
}

#[tokio::test]
async fn the_second_client_of_a_device_waits_for_the_first_to_go() {
    let mut server = loopback().await;
    let resource = server.resource().clone();
    tokio::spawn(async move {
        loop {
            let mut stream = server.accept().await.unwrap();
            while let Ok(byte) = stream.read_u8().await {
                stream.write_all(&[byte]).await.unwrap();
            }
        }
    });
    let mut first = open(&resource, OpenOptions::default()).await.unwrap();
    first.send(b"1\n").await.unwrap();
    assert_eq!(line(&mut first).await, b"1\n");
    let mut second = open(&resource, OpenOptions::default()).await.unwrap();
    second.send(b"2\n").await.unwrap();
    assert!(timeout(Duration::from_millis(50), second.receive()).await.is_err());
    drop(first);
    assert_eq!(line(&mut second).await, b"2\n");
}

#[tokio::test]
async fn a_socket_is_reached_by_version_six_of_the_protocol() {
    let mut server = TcpServer::bind("[::1]:0".parse().unwrap()).await.unwrap();
    let resource = server.resource().to_string();
    assert!(resource.starts_with("TCPIP0::[::1]::"), "{resource}");
    let mut link = open(&resource.parse().unwrap(), OpenOptions::default()).await.unwrap();
    server.accept().await.unwrap().write_all(b"six\n").await.unwrap();
    assert_eq!(line(&mut link).await, b"six\n");
}

/// 44 ms a query is what an algorithm against small segments costs when a message is written in two parts.
#[tokio::test]
async fn a_hundred_questions_are_not_held_back() {
    let mut server = loopback().await;
    let resource = server.resource().clone();
    tokio::spawn(async move {
        let mut stream = server.accept().await.unwrap();
        while let Ok(byte) = stream.read_u8().await {
            if byte == b'\n' {
                stream.write_all(b"1\n").await.unwrap();
            }
        }
    });
    let mut link = open(&resource, OpenOptions::default()).await.unwrap();
    let begun = Instant::now();
    for _ in 0..100 {
        link.send(b":READ?\n").await.unwrap();
        line(&mut link).await;
    }
    assert!(begun.elapsed() < Duration::from_secs(2), "{:?}", begun.elapsed());
}

#[tokio::test]
async fn a_line_held_by_another_is_told() {
    let server = PtyServer::open().unwrap();
    let _holder = open(server.resource(), OpenOptions::default()).await.unwrap();
    let Err(error) = open(server.resource(), OpenOptions::default()).await else { panic!("it is held") };
    assert!(error.to_string().contains("exclusive lock"), "{error}");
}

#[tokio::test]
async fn opening_a_line_drops_what_was_sent_to_nobody() {
    let mut server = PtyServer::open().unwrap();
    let mut stream = server.accept().await.unwrap();
    stream.write_all(b"stale\n").await.unwrap();
    tokio::time::sleep(Duration::from_millis(20)).await;
    let mut link = open(server.resource(), OpenOptions::default()).await.unwrap();
    stream.write_all(b"fresh\n").await.unwrap();
    assert_eq!(line(&mut link).await, b"fresh\n");
}

#[tokio::test]
async fn a_line_whose_other_end_is_gone_is_told() {
    let mut server = PtyServer::open().unwrap();
    let stream = server.accept().await.unwrap();
    let mut link = open(server.resource(), OpenOptions::default()).await.unwrap();
    drop(stream);
    let error = timeout(Duration::from_secs(5), link.receive()).await.unwrap().unwrap_err().to_string();
    assert!(error.contains("could not receive"), "{error}");
}

#[tokio::test(start_paused = true)]
async fn a_delayed_answer_that_was_given_up_comes_to_the_next_question() {
    let (link, mut server) = memory("TCPIP::nowhere::1::SOCKET".parse().unwrap());
    let mut link = Spoiled::new(link, [Spoil::Delay(Duration::from_secs(60))]);
    let mut stream = server.accept().await.unwrap();
    stream.write_all(b"late\n").await.unwrap();
    assert!(timeout(Duration::from_secs(2), link.receive()).await.is_err());
    let waited = Instant::now();
    assert_eq!(link.receive().await.unwrap(), b"late\n");
    assert_eq!(waited.elapsed(), Duration::from_secs(58));
}

#[tokio::test(start_paused = true)]
async fn what_is_cut_to_nothing_never_arrives() {
    let (link, mut server) = memory("TCPIP::nowhere::1::SOCKET".parse().unwrap());
    let mut link = Spoiled::new(link, [Spoil::Cut(0), Spoil::Replace(Vec::new())]);
    let mut stream = server.accept().await.unwrap();
    for part in [b"a", b"b", b"c"] {
        stream.write_all(part).await.unwrap();
        let received = timeout(Duration::from_secs(1), link.receive()).await;
        assert_eq!(received.is_ok(), part == b"c");
    }
}

#[tokio::test(start_paused = true)]
async fn a_device_sees_a_clearing_as_its_client_gone_and_come_again() {
    let (mut link, mut server) = memory("TCPIP::nowhere::1::SOCKET".parse().unwrap());
    let mut before = server.accept().await.unwrap();
    before.write_all(b"unread\n").await.unwrap();
    link.clear().await.unwrap();
    let told = timeout(Duration::from_secs(1), before.read(&mut [0; 8])).await.expect("the client is gone");
    assert_eq!(told.unwrap(), 0);
    let mut after = server.accept().await.unwrap();
    after.write_all(b"fresh\n").await.unwrap();
    assert_eq!(line(&mut link).await, b"fresh\n");
    drop(link);
    assert!(server.accept().await.is_err());
}

#[tokio::test(start_paused = true)]
async fn a_link_to_a_device_that_is_gone_fails_in_every_operation() {
    let (mut link, server) = memory("TCPIP::nowhere::1::SOCKET".parse().unwrap());
    drop(server);
    for result in [link.send(b"?\n").await, link.receive().await.map(drop), link.clear().await] {
        let text = result.unwrap_err().to_string();
        assert!(text.starts_with("TCPIP0::nowhere::1::SOCKET: could not "), "{text}");
    }
}

#[derive(Clone, Default)]
struct Lines(Arc<Mutex<Vec<u8>>>);

impl io::Write for Lines {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[tokio::test(start_paused = true)]
async fn a_traced_link_tells_every_message_and_changes_none() {
    let lines = Lines::default();
    let writer = lines.clone();
    let subscriber = tracing_subscriber::fmt()
        .with_max_level(tracing::Level::TRACE)
        .with_ansi(false)
        .with_writer(move || writer.clone())
        .finish();
    let _guard = tracing::subscriber::set_default(subscriber);
    let (link, mut server) = memory("TCPIP::nowhere::1::SOCKET".parse().unwrap());
    let mut link = Traced(link);
    link.send(b"*IDN?\n").await.unwrap();
    let mut stream = server.accept().await.unwrap();
    let mut asked = [0; 6];
    stream.read_exact(&mut asked).await.unwrap();
    assert_eq!(&asked, b"*IDN?\n");
    stream.write_all(b"A,B\xff\n").await.unwrap();
    assert_eq!(line(&mut link).await, b"A,B\xff\n");
    let told = String::from_utf8(lines.0.lock().unwrap().clone()).unwrap();
    assert!(told.contains("sent=*IDN?\\n") && told.contains("received=A,B\\xff\\n"), "{told}");
    assert!(told.contains("TCPIP0::nowhere::1::SOCKET") && told.contains("TRACE"), "{told}");
}

#[tokio::test]
async fn a_server_refuses_clients_until_they_may_come_again() {
    let mut server = loopback().await;
    let resource = server.resource().clone();
    let mut talking = open(&resource, OpenOptions::default()).await.unwrap();
    let mut served = server.accept().await.unwrap();
    assert!(server.refuse(true).await.unwrap());
    let refused = open(&resource, OpenOptions::default()).await.err().unwrap();
    assert_eq!(refused.source.kind(), io::ErrorKind::ConnectionRefused);
    // Who is there already goes on.
    served.write_all(b"still here\n").await.unwrap();
    assert_eq!(line(&mut talking).await, b"still here\n");
    assert!(server.refuse(false).await.unwrap());
    let again = open(&resource, OpenOptions::default()).await.unwrap();
    assert_eq!(again.resource(), &resource);
    timeout(Duration::from_secs(5), server.accept()).await.unwrap().unwrap();
}

#[tokio::test]
async fn a_stream_that_is_to_be_reset_resets_its_connection() {
    let mut server = loopback().await;
    let mut link = open(server.resource(), OpenOptions::default()).await.unwrap();
    let mut stream = server.accept().await.unwrap();
    stream.reset_when_dropped();
    drop(stream);
    let error = link.receive().await.unwrap_err();
    assert_eq!(error.source.kind(), io::ErrorKind::ConnectionReset);
}
