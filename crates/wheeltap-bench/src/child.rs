//! A child process that serves, and what the system says of it.

use anyhow::{Context, anyhow};
use std::fs;
use std::net::SocketAddr;
use std::process::Stdio;
use tokio::io::{AsyncBufReadExt, BufReader};
use tokio::process::{Child, Command};

const PREFIX: &str = "listening on ";
const PAGES: &str = ", pages on ";

/// Says where this process serves, for [`Serving::start`].
#[expect(clippy::print_stdout, reason = "the parent reads it there")]
pub fn tell_address(address: SocketAddr) {
    println!("{PREFIX}{address}");
}

/// The same with where its web pages are.
#[expect(clippy::print_stdout, reason = "the parent reads it there")]
pub fn tell_addresses(address: SocketAddr, pages: SocketAddr) {
    println!("{PREFIX}{address}{PAGES}{pages}");
}

/// A child that serves.
pub struct Serving {
    child: Child,
    pid: u32,
    pub address: String,
    /// Where its web pages are; empty if it has none.
    pub pages: String,
}

/// What a process has used.
#[derive(Clone, Copy, Debug, Default)]
pub struct Usage {
    /// Largest resident memory so far, bytes.
    pub peak_bytes: u64,
    /// Processor time, seconds.
    pub cpu_s: f64,
}

impl Serving {
    /// Starts this program again with other arguments and waits until it listens.
    pub async fn start(args: &[&str]) -> anyhow::Result<Self> {
        let mut child = Command::new(std::env::current_exe()?)
            .args(args)
            .stdout(Stdio::piped())
            .kill_on_drop(true)
            .spawn()?;
        let pid = child
            .id()
            .ok_or_else(|| anyhow!("the child ended at once"))?;
        let stdout = child.stdout.take().context("the child's output")?;
        let mut lines = BufReader::new(stdout).lines();
        while let Some(line) = lines.next_line().await? {
            if let Some(told) = line.strip_prefix(PREFIX) {
                let (address, pages) = told.split_once(PAGES).unwrap_or((told, ""));
                return Ok(Self {
                    child,
                    pid,
                    address: format!("http://{address}"),
                    pages: format!("http://{pages}"),
                });
            }
        }
        Err(anyhow!(
            "the service ended before it listened: {}",
            child.wait().await?
        ))
    }

    /// What it has used so far; zeros where the system does not tell.
    pub fn usage(&self) -> Usage {
        usage_of(&self.pid.to_string())
    }

    /// SIGKILL, and waits for the end.
    pub async fn kill(mut self) -> anyhow::Result<()> {
        self.child.kill().await?;
        Ok(())
    }
}

/// What this process has used so far.
pub fn own_usage() -> Usage {
    usage_of("self")
}

fn usage_of(process: &str) -> Usage {
    let status = fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let peak_kib: Option<u64> = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))
        .and_then(|rest| rest.trim().trim_end_matches(" kB").trim().parse().ok());
    let stat = fs::read_to_string(format!("/proc/{process}/stat")).unwrap_or_default();
    // Fields 14 and 15 (user and system time, in hundredths of a second on Linux) are counted
    // behind the name, which may hold spaces.
    let fields: Vec<&str> = stat
        .rsplit(')')
        .next()
        .unwrap_or_default()
        .split_whitespace()
        .collect();
    let ticks = |idx: usize| fields.get(idx).and_then(|text| text.parse::<u64>().ok());
    Usage {
        peak_bytes: peak_kib.unwrap_or(0) * 1_024,
        cpu_s: (ticks(11).unwrap_or(0) + ticks(12).unwrap_or(0)) as f64 / 100.0,
    }
}
