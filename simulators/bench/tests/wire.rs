//! The bench of the demonstration over links: in virtual time through memory, in real time over TCP and a serial line.

#![allow(clippy::unwrap_used, reason = "a test fails where it cannot go on")]

use quadrille_bench::{ComplaintKind, Options, SimulatedBench};
use quadrille_documents::{Dialect, Role};
use quadrille_link::{Link, OpenOptions, PtyServer, Server, TcpServer, memory, open};
use std::time::Duration;

fn simulated(options: Options) -> SimulatedBench {
    simulated_with(include_str!("../../../config/demo/bench.toml"), options)
}

/// The demonstration with a cryostat and a magnet; exact to the byte, as nothing is drawn.
fn surrounded() -> SimulatedBench {
    let more = r#"
[simulation.cryostat]
noise_k = 0.0
bath_k = 295.0
[simulation.magnet]
noise_t = 0.0
[[instrument]]
name = "thermometer"
role = "temperature-controller"
resource = "TCPIP::127.0.0.1::5029::SOCKET"
dialect = "temperature-controller"
[[instrument]]
name = "magnet supply"
role = "field-source"
resource = "TCPIP::127.0.0.1::5030::SOCKET"
dialect = "field-source"
[cryostat]
lowest_k = 80.0
highest_k = 330.0
most_ramp_k_per_min = 10.0
[magnet]
field_t_per_a = 0.03
most_field_t = 1.2
most_ramp_t_per_s = 0.05
"#;
    let bench = format!("{}{more}", include_str!("../../../config/demo/bench.toml"));
    simulated_with(&bench, Options::default())
}

fn simulated_with(bench: &str, options: Options) -> SimulatedBench {
    let dialects = [
        include_str!("../../../config/dialects/current-source.toml"),
        include_str!("../../../config/dialects/voltmeter.toml"),
        include_str!("../../../config/dialects/ammeter.toml"),
        include_str!("../../../config/dialects/switch-matrix.toml"),
        include_str!("../../../config/dialects/temperature-controller.toml"),
        include_str!("../../../config/dialects/field-source.toml"),
    ]
    .map(|text| {
        let exact = text.replace("accuracy_k = 0.05", "accuracy_k = 0.0").replace("_t = 1e-4", "_t = 0.0");
        quadrille_documents::dialect("dialect.toml", &exact).unwrap()
    });
    let of = |role: Role| -> &Dialect { dialects.iter().find(|dialect| dialect.role == role).unwrap() };
    let sample = include_str!("../../../config/demo/standard-low.toml");
    let bench = quadrille_documents::bench("bench.toml", bench, |_| Ok(())).unwrap();
    let sample = quadrille_documents::sample("standard-low.toml", sample).unwrap();
    SimulatedBench::new(&bench, of, &[&sample], options).unwrap()
}

/// A client that knows nothing but lines.
struct Client {
    link: Box<dyn Link>,
    heard: Vec<u8>,
}

impl Client {
    fn new(link: impl Link + 'static) -> Self {
        Self { link: Box::new(link), heard: Vec::new() }
    }

    async fn tell(&mut self, bytes: &[u8]) {
        self.link.send(bytes).await.unwrap();
    }

    async fn ask(&mut self, message: &str) -> String {
        self.tell(format!("{message}\n").as_bytes()).await;
        let line = async {
            loop {
                if let Some(end) = self.heard.iter().position(|&byte| byte == b'\n') {
                    let line: Vec<u8> = self.heard.drain(..=end).collect();
                    return String::from_utf8(line[..end].to_vec()).unwrap();
                }
                self.heard.extend(self.link.receive().await.unwrap());
            }
        };
        let answer = tokio::time::timeout(Duration::from_secs(10), line).await;
        answer.unwrap_or_else(|_| panic!("no answer to {message}"))
    }
}

/// A client of a device through memory.
fn through_memory(bench: &SimulatedBench, role: Role) -> Client {
    let resource = "TCPIP::192.0.2.1::5025::SOCKET".parse().unwrap();
    let (link, server) = memory(resource);
    serve(bench, role, server);
    Client::new(link)
}

fn serve(bench: &SimulatedBench, role: Role, server: impl Server + 'static) {
    let bench = bench.clone();
    tokio::spawn(async move { bench.serve(role, Box::new(server)).await });
}

/// Every message and its answer of a measurement of 12,43 with both polarities.
async fn measure(clients: &mut [Client; 4]) -> Vec<String> {
    let [source, voltmeter, ammeter, matrix] = clients;
    let mut heard = Vec::new();
    for client in [&mut *source, voltmeter, ammeter, matrix] {
        heard.push(client.ask("*CLS;*RST;*OPC?").await);
    }
    heard.push(matrix.ask(":ROUTe:CLOSe (@1!1,2!2,3!4,4!3);:ROUTe:CLOSe:STATe?").await);
    heard.push(ammeter.ask(":SENS:CURR:RANG 1e-4;:INP ON;:INP?").await);
    heard.push(voltmeter.ask(":SENS:VOLT:RANG 1;RANG?").await);
    heard.push(source.ask(":SOUR:CURR:RANG 1e-4;:SOUR:VOLT:LIM 5;:SOUR:CURR 1e-4;:OUTP ON;:OUTP?").await);
    for level in ["1e-4", "-1e-4"] {
        heard.push(source.ask(&format!(":SOUR:CURR {level};:SOUR:CURR?")).await);
        tokio::time::sleep(Duration::from_millis(50)).await;
        let (volt, ampere) = tokio::join!(voltmeter.ask(":READ?"), ammeter.ask(":READ?"));
        let resistance = volt.parse::<f64>().unwrap() / ampere.parse::<f64>().unwrap();
        // Ring of 10, 15, 22 and 33 kohm: R12,43 = 10 x 22 / 80 kohm; ammeter 3e-4, microvolts in millivolts.
        assert!((resistance / 2750.0 - 1.0).abs() < 1e-3, "{resistance}");
        heard.extend([volt, ampere]);
    }
    heard.push(source.ask(":SOUR:CURR 0;:OUTP OFF;:OUTP?").await);
    heard.push(ammeter.ask(":INP OFF;*OPC?").await);
    heard.push(matrix.ask(":ROUT:OPEN:ALL;:ROUT:CLOS:STAT?").await);
    for client in [source, voltmeter, ammeter, matrix] {
        heard.push(client.ask(":SYST:ERR?").await);
    }
    heard
}

fn virtual_measurement(options: Options) -> (Vec<String>, f64) {
    let mut builder = tokio::runtime::Builder::new_current_thread();
    builder.enable_time().start_paused(true).build().unwrap().block_on(async {
        let bench = simulated(options);
        let heard = measure(&mut Role::NEEDED.map(|role| through_memory(&bench, role))).await;
        assert_eq!(bench.complaints(), []);
        (heard, bench.now_s())
    })
}

#[test]
fn a_measurement_in_virtual_time_is_the_same_every_time_to_the_byte() {
    let (heard, took) = virtual_measurement(Options::default());
    assert_eq!(heard[4], "(@1!1,2!2,3!4,4!3)");
    assert_eq!(
        heard[heard.len() - 5..],
        ["(@)", "0,\"No error\"", "0,\"No error\"", "0,\"No error\"", "0,\"No error\""]
    );
    assert!((0.16..0.25).contains(&took), "{took}");
    for _ in 0..3 {
        assert_eq!(virtual_measurement(Options::default()), (heard.clone(), took));
    }
    assert_ne!(virtual_measurement(Options { seed: Some(3), ..Options::default() }).0, heard);
}

#[tokio::test]
async fn a_measurement_over_sockets_and_a_serial_line_in_real_time_finds_the_same_ring() {
    let bench = simulated(Options::default());
    let mut clients = Vec::new();
    for role in Role::NEEDED {
        let resource = if role == Role::SwitchMatrix {
            let server = PtyServer::open().unwrap();
            let resource = server.resource().clone();
            serve(&bench, role, server);
            resource
        } else {
            let server = TcpServer::bind("127.0.0.1:0".parse().unwrap()).await.unwrap();
            let resource = server.resource().clone();
            serve(&bench, role, server);
            resource
        };
        clients.push(Client::new(open(&resource, OpenOptions::default()).await.unwrap()));
    }
    let heard = measure(&mut clients.try_into().unwrap_or_else(|_| panic!("four clients"))).await;
    assert_eq!(heard[heard.len() - 5], "(@)");
    assert_eq!(bench.complaints(), []);
}

#[tokio::test(start_paused = true)]
async fn garbage_and_half_lines_end_in_the_error_queue_or_nowhere() {
    let bench = simulated(Options::default());
    let mut source = through_memory(&bench, Role::CurrentSource);
    source.tell(b"\x00\xff\xfe{}[]\r\n;;;\n:::\n \n\n#9\n\"abc\nCURR 1e\n").await;
    // Blank messages are none; each of the six others is one error.
    assert_eq!(source.ask("SYST:ERR:COUN?").await, "6");
    source.tell(b"OUTP").await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    assert_eq!(source.ask("?;*CLS;:SYST:ERR?").await, "0;0,\"No error\"");
    source.tell(b"OUTP O").await;
    source.link.clear().await.unwrap();
    assert_eq!(source.ask("OUTP?;:SYST:ERR?").await, "0;0,\"No error\"");
}

#[tokio::test(start_paused = true)]
async fn what_was_sent_before_a_link_was_cut_is_carried_out() {
    let bench = simulated(Options::default());
    let mut source = through_memory(&bench, Role::CurrentSource);
    source.tell(b"VOLT:LIM 1\nCURR 1e-6\nOUTP ON\n").await;
    source.link.clear().await.unwrap();
    assert_eq!(source.ask("OUTP?;:CURR?;:VOLT:LIM?").await, "1;1.0E-06;1.0E+00");
    assert!(bench.is_energised());
}

#[tokio::test(start_paused = true)]
async fn an_output_left_on_is_complained_of_and_a_cleared_link_not() {
    let bench = simulated(Options::default());
    let mut source = through_memory(&bench, Role::CurrentSource);
    source.ask("VOLT:LIM 1;:CURR 1e-6;:OUTP ON;*OPC?").await;
    source.link.clear().await.unwrap();
    assert_eq!(source.ask("OUTP?").await, "1");
    assert_eq!(bench.complaints(), []);
    drop(source);
    tokio::time::sleep(Duration::from_secs(1)).await;
    let kinds: Vec<_> = bench.complaints().iter().map(|complaint| complaint.kind).collect();
    assert_eq!(kinds, [ComplaintKind::OutputLeftOn]);
}

#[tokio::test(start_paused = true)]
async fn clearing_a_link_breaks_off_a_reading_and_its_answer_never_comes() {
    let bench = simulated(Options::default());
    let mut voltmeter = through_memory(&bench, Role::Voltmeter);
    assert_eq!(voltmeter.ask("VOLT:NPLC 100;NPLC?").await, "1.0E+02");
    let began = bench.now_s();
    voltmeter.tell(b"READ?\n").await;
    tokio::time::sleep(Duration::from_millis(100)).await;
    voltmeter.link.clear().await.unwrap();
    assert_eq!(voltmeter.ask("VOLT:NPLC?;:STAT:OPER:COND?").await, "1.0E+02;0");
    assert!(bench.now_s() - began < 0.2, "{}", bench.now_s() - began);
    assert_eq!(voltmeter.ask("*CLS;:VOLT:NPLC 1;:FETC?;*OPC?").await, "1");
    assert_eq!(voltmeter.ask("SYST:ERR?").await, "-230,\"Data corrupt or stale\"");
}

#[tokio::test(start_paused = true)]
async fn two_clients_of_one_device_take_turns_by_whole_messages() {
    let bench = simulated(Options::default());
    let mut one = through_memory(&bench, Role::Voltmeter);
    let mut other = through_memory(&bench, Role::Voltmeter);
    let began = bench.now_s();
    let (a, b) = tokio::join!(one.ask("VOLT:NPLC 5;:READ?;*OPC?"), other.ask("READ?;*OPC?"));
    assert!(a.ends_with(";1") && b.ends_with(";1"), "{a} {b}");
    // Five power-line cycles each, one after the other.
    assert!((bench.now_s() - began - 0.201).abs() < 3e-3, "{}", bench.now_s() - began);
}

/// Bytes of a conversation, written from IEEE 488.2 and the table of commands in docs/simulated-bench.md.
#[tokio::test(start_paused = true)]
async fn controller_and_supply_speak_these_bytes() {
    let bench = surrounded();
    let mut controller = through_memory(&bench, Role::TemperatureController);
    controller.tell(b":SOURce:TEMPerature:RAMP 6;SPOint 295.5\n:OUTP").await;
    controller.tell(b"ut:STATe ON\r\n").await;
    assert_eq!(controller.ask(":MEASure:TEMPerature?;:OUTPut:STATe?").await, "2.950000000E+02;1");
    tokio::time::sleep(Duration::from_secs(4)).await;
    assert_eq!(controller.ask(":STATus:OPERation:CONDition?;*ESR?").await, "8;128");
    tokio::time::sleep(Duration::from_secs(900)).await;
    assert_eq!(controller.ask("STAT:OPER?;:MEAS:TEMP?;:SOUR:TEMP:SPO?").await, "8;2.955000000E+02;2.955E+02");
    let mut supply = through_memory(&bench, Role::FieldSource);
    supply.tell(b":SOURce:FIELd:RAMP 3E-2;:SOURce:FIELd 300 MT;:OUTPut ON;:SOURce:FIELd:STARt\n").await;
    tokio::time::sleep(Duration::from_secs(5)).await;
    // Four settings of 10 ms each went before: 4.96 s at 1 A/s.
    assert_eq!(supply.ask("stat:oper:cond?;:meas:curr?").await, "8;4.960000000E+00");
    tokio::time::sleep(Duration::from_secs(6)).await;
    assert_eq!(supply.ask("stat:oper:cond?;:meas:curr?").await, "0;1.000000000E+01");
    assert_eq!(supply.ask("SOUR:FIEL?;:SYST:ERR?").await, "3.0E-01;0,\"No error\"");
    assert_eq!(bench.complaints(), []);
}
