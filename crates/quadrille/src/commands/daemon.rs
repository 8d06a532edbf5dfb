//! A daemon served, and what only somebody at its machine may do.

use super::Shown;
use super::runs::runtime;
use crate::args::{BenchRelease, DaemonDocument, Serve, TokenCommand, TokenRight};
use crate::exit::Exit;
use crate::{print, signals};
use anyhow::Context;
use quadrille_daemon::audit;
use quadrille_daemon::config::Config;
use quadrille_daemon::console::{Answer, Asked, ask};
use quadrille_daemon::serve::Daemon;
use quadrille_daemon::tokens::{Right, Tokens};
use quadrille_daemon::view::OutputState;
use serde_json::json;
use std::time::Duration;

pub(crate) fn serve(options: &Serve, as_json: bool) -> anyhow::Result<(Exit, Shown)> {
    let config = Config::read(&options.document.config)?;
    let outputs = runtime()?.block_on(async {
        // Before anybody is told that it listens, and may stop it.
        let stop = signals::stop()?;
        let daemon = Daemon::begin(config).await?;
        let site = std::sync::Arc::clone(&daemon.site);
        let scheme = if site.is_tls { "https" } else { "http" };
        let url = format!("{scheme}://{}", daemon.address());
        print(&if as_json {
            format!("{}\n", json!({ "listens": url }))
        } else {
            format!("Listens at {url}\n")
        });
        daemon.run(stop).await;
        let outputs = site.benches.values().map(|host| (host.name.clone(), host.view().output.state));
        anyhow::Ok(outputs.collect::<Vec<_>>())
    })?;
    let is_at_rest = outputs.iter().all(|(_, output)| *output == OutputState::VerifiedOff);
    let exit = if is_at_rest { Exit::Done } else { Exit::NotStoodDown };
    let told = outputs.iter().map(|(bench, output)| json!({ "bench": bench, "output": output }));
    let left = outputs.iter().filter(|(_, output)| *output != OutputState::VerifiedOff);
    let text = left.map(|(bench, _)| format!("Output of {bench} NOT verified off: look at the source.\n"));
    Ok((exit, Shown { text: text.collect(), json: json!({ "benches": told.collect::<Vec<_>>() }) }))
}

impl From<TokenRight> for Right {
    fn from(right: TokenRight) -> Self {
        match right {
            TokenRight::Look => Self::Look,
            TokenRight::Operate => Self::Operate,
            TokenRight::Maintain => Self::Maintain,
        }
    }
}

fn tokens_of(document: &DaemonDocument) -> anyhow::Result<Tokens> {
    let config = Config::read(&document.config)?;
    config.make_folder().with_context(|| config.folder.display().to_string())?;
    Ok(Tokens::open(&config.tokens())?)
}

pub(crate) fn token(what: &TokenCommand) -> anyhow::Result<(Exit, Shown)> {
    let shown = match what {
        TokenCommand::Add { name, rights, days, document } => {
            let rights = rights.iter().map(|right| Right::from(*right)).collect();
            let good_for = Duration::from_secs(u64::from(*days) * 86_400);
            let secret = tokens_of(document)?.add(name, rights, good_for)?;
            let text = format!(
                "{secret}\n\nThis is the only time it is shown. Keep it in a file that only {name} may read (chmod 600), and \
                 give that with --token-file.\n"
            );
            Shown { text, json: json!({ "name": name, "secret": secret }) }
        }
        TokenCommand::List { document } => {
            let tokens = tokens_of(document)?.list()?;
            let line = |token: &quadrille_daemon::tokens::Token| {
                let rights: Vec<&str> = token.rights.iter().map(|right| right.word()).collect();
                let state = match token.revoked {
                    Some(when) => format!("revoked {when}"),
                    None => format!("until {}", token.expires),
                };
                format!("{:<24}  {:<24}  {state}\n", token.name, rights.join(", "))
            };
            let lines = tokens.iter().map(|token| {
                json!({ "name": token.name, "rights": token.rights, "expires": token.expires, "revoked": token.revoked })
            });
            let lines: Vec<serde_json::Value> = lines.collect();
            Shown { text: tokens.iter().map(line).collect(), json: json!({ "tokens": lines }) }
        }
        TokenCommand::Revoke { name, document } => {
            tokens_of(document)?.revoke(name)?;
            Shown {
                text: format!("The token of {name} is good no more.\n"),
                json: json!({ "revoked": name }),
            }
        }
    };
    Ok((Exit::Done, shown))
}

pub(crate) fn release(options: &BenchRelease) -> anyhow::Result<(Exit, Shown)> {
    let config = Config::read(&options.document.config)?;
    let (bench, by) = (options.bench.clone(), options.by.clone());
    let asked = match (options.up_to_v, options.hours) {
        (Some(up_to_v), Some(hours)) => Asked::Release { bench, up_to_v, lasting_s: hours * 3600.0, by },
        _ => Asked::Withdraw { bench, by },
    };
    let socket = config.console();
    let answer = ask(&socket, &asked).with_context(|| {
        format!(
            "{}: the daemon does not answer; does it run, and do you have its user's rights?",
            socket.display()
        )
    })?;
    match answer {
        Answer::Done { until } => {
            let text = match until {
                Some(until) => format!("Released until {until}. Take your hands out.\n"),
                None => "The release is taken back.\n".to_owned(),
            };
            Ok((Exit::Done, Shown { text, json: json!({ "until": until }) }))
        }
        Answer::Refused(problem) => anyhow::bail!("{}; {}", problem.detail, problem.instead),
    }
}

pub(crate) fn audit(document: &DaemonDocument) -> anyhow::Result<(Exit, Shown)> {
    let config = Config::read(&document.config)?;
    let head = audit::verify(&config.audit())?;
    let text = format!(
        "{} lines, each follows from the one before it. Write down elsewhere: line {} has the hash {}.\n",
        head.n, head.n, head.hash
    );
    Ok((Exit::Done, Shown { text, json: json!({ "lines": head.n, "hash": head.hash }) }))
}
