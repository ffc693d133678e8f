//! The fleet that the benches send: units, channels, rules, and batches made on the fly.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use wheeltap_client::{BatchBuilder, EncodedBatch, Packing};
use wheeltap_model::{ChannelName, UnitId};

/// Channels of the built-in catalogue that come once a second, with where their values lie and
/// the catalogue's resolution of them.
const CHANNELS: [(&str, f64, f64); 10] = [
    ("engine.speed", 800.0, 0.1),
    ("engine.oil.pressure", 400.0, 0.1),
    ("engine.coolant.pressure", 100.0, 0.1),
    (PROBE, -0.5, 0.001),
    ("engine.intake.pressure", 180.0, 0.1),
    ("engine.turbo.speed", 20_000.0, 1.0),
    ("fuel.rate", 400.0, 0.1),
    ("fuel.pressure", 500.0, 0.1),
    ("traction.power", 2_000.0, 0.1),
    ("traction.effort", 300.0, 0.1),
];
/// The channel on which alerts are made to ring.
const PROBE: &str = "engine.crankcase.pressure";
/// Its value while an alert is to stand; the rule's limit is half of it.
const PROBE_HIGH: f64 = 2.0;
/// Seconds of event time in a batch, one sample a second and channel.
pub const BATCH_S: i64 = 60;
/// Samples in a batch.
pub const BATCH_SAMPLES: u64 = 600;
/// One batch of so many begins an alert half way through, which ends half way through the next.
const PROBE_EVERY: i64 = 50;
/// The rule that rings.
pub const PROBE_RULE: &str = "probe";

/// What all benches say of the load.
pub const LOAD: &str = "10 channels a unit at 1 Hz, 600 samples a batch, columns as plain doubles";

/// A unit's id.
pub fn unit(number: usize) -> UnitId {
    #[expect(clippy::expect_used, reason = "a label and a number are a unit id")]
    UnitId::new(&format!("ZVR {number:05}")).expect("a unit id")
}

/// Writes settings, class, roster and 20 rules into `folder`; returns the settings' path.
pub fn write_config(folder: &Path, listen: &str, n_units: usize) -> anyhow::Result<PathBuf> {
    fs::write(
        folder.join("classes.toml"),
        "[[class]]\nname = \"Marten\"\ntitle = \"A class for benches\"\naxles = 6\n",
    )?;
    let mut roster = String::new();
    for number in 0..n_units {
        writeln!(
            roster,
            "[[unit]]\nid = \"{}\"\nclass = \"Marten\"",
            unit(number)
        )?;
    }
    fs::write(folder.join("roster.toml"), roster)?;
    let rules = folder.join("rules");
    fs::create_dir_all(&rules)?;
    for (name, text) in rule_texts() {
        fs::write(rules.join(format!("{name}.rhai")), text)?;
    }
    let config = folder.join("wheeltap.toml");
    fs::write(
        &config,
        format!(
            "listen = \"{listen}\"\ndata = \"data\"\ncatalogue = [\"classes.toml\"]\nroster = \
             \"roster.toml\"\nrules = \"rules\"\n"
        ),
    )?;
    Ok(config)
}

/// The probe, and 19 rules of the usual kinds that hold their windows and never ring.
fn rule_texts() -> Vec<(String, String)> {
    let rule = |title: &str, component: &str, delays: &str, reads: &str, raise: &str| {
        format!(
            "fn about() {{ #{{\n    title: \"{title}\",\n    system: \"engine\", component: \
             \"{component}\",\n    priority: \"medium\",\n    {delays},\n    cause: \"A bench.\",\n    \
             consequence: \"None.\",\n    action: \"None.\",\n    respond_within: \"1 d\",\n}} \
             }}\nfn reads() {{ #{{\n    {reads}\n}} }}\nfn raise(seen) {{ {raise} }}\n"
        )
    };
    let limit = PROBE_HIGH / 2.0;
    let mut rules = vec![(
        PROBE_RULE.to_owned(),
        rule(
            "Probe",
            "probe",
            "tick: \"1 s\"",
            &format!("x: last(\"{PROBE}\", \"5 s\"),"),
            &format!("seen.x > {limit:?}"),
        ),
    )];
    let delays = "tick: \"10 s\", on_delay: \"2 min\", off_delay: \"2 min\"";
    for (idx, (channel, base, _)) in CHANNELS.iter().enumerate() {
        let far = base.abs() * 1.5 + 5.0;
        let (other, _, _) = CHANNELS[(idx + 1) % CHANNELS.len()];
        rules.push((
            format!("mean-and-least-{idx}"),
            rule(
                &format!("Mean of {channel}"),
                &format!("mean {idx}"),
                delays,
                &format!("x: mean(\"{channel}\", \"5 min\"), y: min(\"{other}\", \"5 min\"),"),
                &format!("seen.x > {far:?} && seen.y > -10000.0"),
            ),
        ));
        let text = match idx % 3 {
            0 => (
                format!("x: slope(\"{channel}\", \"10 min\"),"),
                format!("abs(seen.x) > {far:?}"),
            ),
            1 => (
                format!("x: stdev(\"{channel}\", \"10 min\"),"),
                format!("seen.x > {far:?}"),
            ),
            _ => (
                format!("x: time_above(\"{channel}\", {far:?}, \"10 min\"),"),
                "seen.x > 300.0".to_owned(),
            ),
        };
        if rules.len() < 20 {
            rules.push((
                format!("spread-{idx}"),
                rule(
                    &format!("Spread of {channel}"),
                    &format!("spread {idx}"),
                    delays,
                    &text.0,
                    &text.1,
                ),
            ));
        }
    }
    rules.truncate(20);
    rules
}

/// Makes the batches of one unit, one after the other.
pub struct Maker {
    number: i64,
    channels: Vec<ChannelName>,
    builder: BatchBuilder,
    next_batch: i64,
    start_ms: i64,
    state: u64,
    times_ms: Vec<i64>,
    values: Vec<f64>,
}

/// A batch and the alert that it must raise.
pub struct Made {
    pub batch: EncodedBatch,
    /// Event time at which an alert is raised, if one is.
    pub raises_at_ms: Option<i64>,
}

impl Maker {
    /// The unit's first sample is at `start_ms`, a whole minute.
    pub fn new(number: usize, start_ms: i64) -> anyhow::Result<Self> {
        Ok(Self {
            number: i64::try_from(number)?,
            channels: CHANNELS
                .iter()
                .map(|(name, _, _)| ChannelName::new(name))
                .collect::<Result<_, _>>()?,
            builder: BatchBuilder::new(Packing::Plain),
            next_batch: 0,
            start_ms,
            // Any odd number does; units must differ.
            state: 0x9E37_79B9_7F4A_7C15 ^ (u64::try_from(number)? << 1) | 1,
            times_ms: Vec::new(),
            values: Vec::new(),
        })
    }

    fn random(&mut self) -> u64 {
        // xorshift64: values only have to look like measurements.
        self.state ^= self.state << 13;
        self.state ^= self.state >> 7;
        self.state ^= self.state << 17;
        self.state
    }

    /// Whether an alert stands in the second half of this batch and the first half of the next.
    fn probes(&self, batch: i64) -> bool {
        batch >= 0 && (batch + self.number) % PROBE_EVERY == 0
    }

    /// The next minute.
    pub fn next(&mut self) -> anyhow::Result<Made> {
        let batch_idx = self.next_batch;
        self.next_batch += 1;
        let first_ms = self.start_ms + batch_idx * BATCH_S * 1_000;
        self.times_ms.clear();
        self.times_ms
            .extend((0..BATCH_S).map(|second| first_ms + second * 1_000));
        let half = BATCH_S / 2;
        for (idx, (name, base, step)) in CHANNELS.iter().enumerate() {
            self.values.clear();
            let mut drift = 0_i32;
            for second in 0..BATCH_S {
                let random = self.random();
                // Most seconds change little, as measurements do.
                drift += i32::try_from(random % 5)? - 2;
                let is_high = *name == PROBE
                    && self.probes(if second < half {
                        batch_idx - 1
                    } else {
                        batch_idx
                    });
                let base = if is_high { PROBE_HIGH } else { *base };
                // Counted in steps of the resolution, as a sensor does.
                let n_steps = (base / step).round() + f64::from(drift);
                self.values.push(n_steps * step);
            }
            self.builder
                .samples(&self.channels[idx], "", &self.times_ms, &self.values, &[])?;
        }
        let mut batches = self.builder.build()?;
        anyhow::ensure!(batches.len() == 1, "a minute is one batch");
        Ok(Made {
            batch: batches.remove(0),
            raises_at_ms: self.probes(batch_idx).then_some(first_ms + half * 1_000),
        })
    }
}
