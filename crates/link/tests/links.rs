//! Each link against its server: bytes there and back, clearing, and what is said when nobody is there.
#![allow(clippy::unwrap_used)]

use quadrille_link::{
    Link, OpenOptions, PtyServer, Resource, Server, Spoil, Spoiled, TcpServer, memory, open,
};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};

/// Answers every line with the line before it turned round; a new client starts with an empty line.
async fn play(mut server: impl Server) {
    while let Ok(mut stream) = server.accept().await {
        let mut line = Vec::new();
        while let Ok(byte) = stream.read_u8().await {
            line.push(byte);
            if byte == b'\n' {
                line.pop();
                line.reverse();
                line.push(b'\n');
                if stream.write_all(&line).await.is_err() {
                    break;
                }
                line.clear();
            }
        }
    }
}

async fn line(link: &mut dyn Link) -> String {
    let mut text = Vec::new();
    while text.last() != Some(&b'\n') {
        text.extend(link.receive().await.unwrap());
    }
    String::from_utf8(text).unwrap()
}

/// Bytes cross both ways, every value of a byte but the line end included, and half a message is forgotten by clear.
async fn check(link: &mut dyn Link, forgets: bool) {
    link.send(b"abc\n").await.unwrap();
    assert_eq!(line(link).await, "cba\n");
    let odd: Vec<u8> = (0u8..=255).filter(|byte| ![b'\n'].contains(byte)).collect();
    link.send(&[odd.as_slice(), b"\n"].concat()).await.unwrap();
    let mut back = Vec::new();
    while back.len() < odd.len() + 1 {
        back.extend(link.receive().await.unwrap());
    }
    assert_eq!(back, odd.iter().rev().copied().chain([b'\n']).collect::<Vec<u8>>());
    if forgets {
        link.send(b"half").await.unwrap();
        link.clear().await.unwrap();
        link.send(b"xy\n").await.unwrap();
        assert_eq!(line(link).await, "yx\n");
    }
}

#[tokio::test]
async fn a_raw_socket_carries_bytes_and_is_cleared_by_opening_it_again() {
    let server = TcpServer::bind("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let resource = server.resource().clone();
    tokio::spawn(play(server));
    let mut link = open(&resource, OpenOptions::default()).await.unwrap();
    check(&mut link, true).await;
}

#[tokio::test]
async fn a_serial_line_carries_every_byte_unchanged() {
    let server = PtyServer::open().unwrap();
    let resource = server.resource().clone();
    tokio::spawn(play(server));
    let mut link = open(&resource, OpenOptions { baud: 115_200, ..Default::default() }).await.unwrap();
    check(&mut link, false).await;
}

#[tokio::test]
async fn a_serial_line_is_cleared_of_what_was_on_its_way() {
    let server = PtyServer::open().unwrap();
    let resource = server.resource().clone();
    tokio::spawn(play(server));
    let mut link = open(&resource, OpenOptions::default()).await.unwrap();
    link.send(b"late\n").await.unwrap();
    tokio::time::sleep(Duration::from_millis(20)).await;
    link.clear().await.unwrap();
    link.send(b"new\n").await.unwrap();
    assert_eq!(line(&mut link).await, "wen\n");
}

#[tokio::test(start_paused = true)]
async fn a_link_in_memory_carries_bytes_and_is_cleared_by_coming_again() {
    let (mut link, server) = memory("TCPIP::nowhere::1::SOCKET".parse().unwrap());
    tokio::spawn(play(server));
    check(&mut link, true).await;
}

#[tokio::test]
async fn a_socket_where_nobody_listens_is_told_with_what_to_look_at() {
    let free = TcpServer::bind("127.0.0.1:0".parse().unwrap()).await.unwrap().resource().clone();
    let Err(error) = open(&free, OpenOptions::default()).await else { panic!("nobody listens there") };
    let text = error.to_string();
    assert!(text.contains("could not open") && text.contains("is the instrument on"), "{text}");
}

#[tokio::test]
async fn a_line_that_is_not_there_is_told() {
    let resource: Resource = "ASRL/dev/no-such-line::INSTR".parse().unwrap();
    let Err(error) = open(&resource, OpenOptions::default()).await else { panic!("there is no such line") };
    assert!(error.to_string().contains("ASRL/dev/no-such-line::INSTR: could not open"), "{error}");
}

#[tokio::test]
async fn a_socket_that_is_closed_is_told() {
    let mut server = TcpServer::bind("127.0.0.1:0".parse().unwrap()).await.unwrap();
    let mut link = open(&server.resource().clone(), OpenOptions::default()).await.unwrap();
    drop(server.accept().await.unwrap());
    assert!(link.receive().await.unwrap_err().to_string().contains("closed the link"));
}

#[tokio::test(start_paused = true)]
async fn a_spoiled_link_follows_its_script() {
    let (link, server) = memory("TCPIP::nowhere::1::SOCKET".parse().unwrap());
    tokio::spawn(play(server));
    let script = [
        Spoil::Delay(Duration::from_secs(5)),
        Spoil::Lose,
        Spoil::Cut(1),
        Spoil::Replace(b"?\n".to_vec()),
        Spoil::Precede(b"!".to_vec()),
    ];
    let mut link = Spoiled::new(link, script);
    let begun = tokio::time::Instant::now();
    link.send(b"ab\n").await.unwrap();
    assert_eq!(line(&mut link).await, "ba\n");
    assert_eq!(begun.elapsed(), Duration::from_secs(5));
    link.send(b"cd\n").await.unwrap();
    assert!(tokio::time::timeout(Duration::from_secs(1), link.receive()).await.is_err());
    link.send(b"ef\n").await.unwrap();
    assert_eq!(link.receive().await.unwrap(), b"f");
    link.send(b"gh\n").await.unwrap();
    assert_eq!(line(&mut link).await, "?\n");
    link.send(b"ij\n").await.unwrap();
    assert_eq!(line(&mut link).await, "!ji\n");
}
