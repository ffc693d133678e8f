//! One axle between motor and rail.

/// One axle's state.
#[derive(Clone, Debug)]
pub(crate) struct AxleNow {
    pub(crate) speed_m_s: f64,
    pub(crate) effort_n: f64,
    /// True diameter over the one the counter assumes.
    pub(super) diameter: f64,
    pub(super) slip: Option<Slip>,
    pub(super) shade: f64,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct Slip {
    from_s: i64,
    creep: f64,
    peak: f64,
}

/// What is asked of one axle in one second.
pub(super) struct Asked {
    pub(super) pull_n: f64,
    pub(super) brake_n: f64,
    /// Limit of adhesion under it.
    pub(super) limit_n: f64,
    pub(super) locked: bool,
    /// Share of the diameter lost.
    pub(super) worn: f64,
}

impl AxleNow {
    /// Turns for a second; tells whether it slips, and the slip that ended or was cut.
    pub(super) fn turn(
        &mut self,
        asked: &Asked,
        speed_m_s: f64,
        at_s: i64,
        ends: bool,
        chance: f64,
    ) -> (bool, Option<SlipDone>) {
        // Rail differs from place to place.
        self.shade = self.shade * 0.9 + chance * 0.022;
        let limit_n = asked.limit_n * (1.0 + self.shade);
        let used = asked.pull_n / limit_n;
        match &mut self.slip {
            None if used > 1.0 => {
                let creep = (used - 1.0).min(0.6) * 0.2 + 0.03;
                self.slip = Some(Slip {
                    from_s: at_s,
                    creep,
                    peak: creep,
                });
            }
            None => {}
            Some(slip) => {
                slip.creep += ((used - 0.93) * 0.25).clamp(-0.04, 0.06);
                slip.creep = slip.creep.min(0.5);
                slip.peak = slip.peak.max(slip.creep);
            }
        }
        // Micro-creep grows with the share of adhesion used.
        let mut turning = 1.0 + 0.008 * used.min(1.0);
        let mut pull_n = asked.pull_n.min(limit_n);
        let mut done = None;
        let slips = self.slip.is_some();
        if let Some(slip) = self.slip {
            turning += slip.creep.max(0.0);
            pull_n = pull_n.min(limit_n * 0.92);
            let over = slip.creep <= 0.0 || asked.pull_n <= 0.0 || at_s - slip.from_s >= 25;
            // One that goes on fills this second; one that was cut a second ago and is over has no rest.
            let duration_s = at_s - slip.from_s + i64::from(!over);
            if over || ends {
                done = (duration_s > 0).then_some(SlipDone {
                    from_s: slip.from_s,
                    axle: 0,
                    duration_s,
                    peak_creep: slip.peak,
                });
                self.slip = (!over).then_some(Slip {
                    from_s: at_s + 1,
                    ..slip
                });
            }
        }
        self.effort_n = pull_n - asked.brake_n;
        self.speed_m_s = if asked.locked {
            0.0
        } else {
            speed_m_s * turning / (self.diameter * (1.0 - asked.worn))
        };
        (slips, done)
    }
}

/// A slip that is over.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SlipDone {
    pub(crate) from_s: i64,
    /// From 1.
    pub(crate) axle: u32,
    pub(crate) duration_s: i64,
    pub(crate) peak_creep: f64,
}
