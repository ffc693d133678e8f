//! Reports as the contract has them.

use super::DAY_MS;
use wheeltap_analysis::reliability::{Mtbf, Proportion, Trend};
use wheeltap_followup::reports::{
    Availability, BadActor, Basis, DeskClock, DeskLoad, Group, Lead, Lives, Metric, MetricKind,
    ReliabilityReport, ReliabilityTerms, Repeat, RuleScorecard, Verdict, is_able, is_lost,
};
use wheeltap_model::Priority;
use wheeltap_proto::convert;
use wheeltap_proto::v1;

fn share_to_wire(share: &Proportion) -> v1::Share {
    v1::Share {
        n: share.n,
        of: share.of,
        share: Some(v1::Bounded {
            value: share.share,
            lower: share.lower,
            upper: Some(share.upper),
        }),
    }
}

pub fn scorecard_to_wire(card: &RuleScorecard) -> v1::RuleScorecard {
    let facts = &card.version.facts;
    let found = &card.findings;
    v1::RuleScorecard {
        rule: convert::rule_version_name(&card.version.reference),
        title: facts.title.clone(),
        component: facts.component.clone(),
        priority: convert::priority_to_wire(facts.priority).into(),
        stage: convert::rule_stage_to_wire(card.stage).into(),
        live_ms: card.live_ms,
        n_alerts: card.n_alerts,
        n_told: card.n_told,
        n_units: card.n_units,
        n_withdrawn: card.n_withdrawn,
        n_suppressed_by_design: card.n_by_design,
        n_told_with_another: card.n_told_with,
        n_trial: card.n_trial,
        per_day: card.per_day,
        load_share: card.load_share,
        findings: Some(v1::FindingCounts {
            as_called: found.as_called,
            another_fault: found.another_fault,
            sensor_or_wiring: found.sensor_or_wiring,
            no_fault_found: found.no_fault_found,
            could_not_test: found.could_not_test,
            not_looked_at: found.not_looked_at,
            owed: found.owed,
        }),
        precision: Some(share_to_wire(&card.precision)),
        no_fault_found: Some(share_to_wire(&card.no_fault_found)),
        n_failures: card.n_failures,
        n_reported: card.n_reported,
        recall: card.recall.as_ref().map(share_to_wire),
        lead: card.lead.map(lead_to_wire),
    }
}

const fn lead_to_wire(lead: Lead) -> v1::Lead {
    v1::Lead {
        n_called: lead.n,
        n_ahead: lead.n_ahead,
        least_ms: lead.least_ms,
        median_ms: lead.median_ms,
        most_ms: lead.most_ms,
    }
}

pub fn desk_to_wire(load: &DeskLoad) -> v1::DeskLoad {
    let peak = |(start_unix_ms, n_alerts)| v1::DeskPeak {
        start_unix_ms,
        n_alerts,
    };
    let priorities = [
        Priority::Low,
        Priority::Medium,
        Priority::High,
        Priority::Urgent,
    ];
    let priorities = priorities.into_iter().zip(load.priorities);
    v1::DeskLoad {
        from_unix_ms: load.from_ms,
        until_unix_ms: load.until_ms,
        clock: match load.clock {
            DeskClock::Announced => v1::DeskClock::Announced.into(),
            DeskClock::Raised => v1::DeskClock::Raised.into(),
        },
        n_desks: load.n_desks,
        is_long_enough: load.is_long_enough(),
        n_alerts: load.n_alerts,
        metrics: load.metrics.iter().map(metric_to_wire).collect(),
        worst_hour: load.worst_hour.map(peak),
        worst_ten_minutes: load.worst_ten_minutes.map(peak),
        floods: load
            .floods
            .iter()
            .map(|(start_unix_ms, end_unix_ms)| v1::DeskFlood {
                start_unix_ms: *start_unix_ms,
                end_unix_ms: *end_unix_ms,
            })
            .collect(),
        priorities: priorities
            .map(|(priority, n_alerts)| v1::PriorityShare {
                priority: convert::priority_to_wire(priority).into(),
                n_alerts,
                share: (load.n_alerts > 0).then(|| n_alerts as f64 / load.n_alerts as f64),
                aimed_at: DeskLoad::share_aimed_at(priority),
            })
            .collect(),
        top_rules: load
            .top
            .iter()
            .map(|rule| v1::RuleShare {
                rule: convert::rule_name(&rule.rule),
                n_alerts: rule.n_alerts,
                share: rule.share,
            })
            .collect(),
        n_stale: load.n_stale,
        days: load
            .days
            .iter()
            .map(|day| v1::DeskDay {
                start_unix_ms: day.start_ms,
                n_alerts: day.n_alerts,
                most_in_ten_minutes: day.most_in_ten_minutes,
                n_stale: day.n_stale,
            })
            .collect(),
    }
}

fn metric_to_wire(metric: &Metric) -> v1::DeskMetric {
    use v1::desk_metric::{Kind, Verdict as OnWire};
    v1::DeskMetric {
        kind: match metric.kind {
            MetricKind::PerDay => Kind::PerDay,
            MetricKind::PerHour => Kind::PerHour,
            MetricKind::PerTenMinutes => Kind::PerTenMinutes,
            MetricKind::CrowdedShare => Kind::CrowdedShare,
            MetricKind::MostInTenMinutes => Kind::MostInTenMinutes,
            MetricKind::FloodShare => Kind::FloodShare,
            MetricKind::TopTenShare => Kind::TopTenShare,
            MetricKind::Chattering => Kind::Chattering,
            MetricKind::Fleeting => Kind::Fleeting,
            MetricKind::MostStale => Kind::MostStale,
        }
        .into(),
        value: metric.value,
        acceptable: metric.acceptable,
        manageable: metric.manageable,
        verdict: match metric.verdict {
            None => OnWire::Unspecified,
            Some(Verdict::Acceptable) => OnWire::Acceptable,
            Some(Verdict::Manageable) => OnWire::Manageable,
            Some(Verdict::TooMuch) => OnWire::TooMuch,
        }
        .into(),
    }
}

pub fn reliability_to_wire(
    report: &ReliabilityReport,
    terms: &ReliabilityTerms,
    repeat_days: u32,
) -> v1::Reliability {
    let group = |group: &Group| group_to_wire(group, terms.confidence);
    v1::Reliability {
        from_unix_ms: report.from.unix_ms(),
        until_unix_ms: report.until.unix_ms(),
        confidence: terms.confidence,
        basis: match report.basis {
            Basis::Working => v1::reliability::Basis::Working.into(),
            Basis::Commissioned => v1::reliability::Basis::Commissioned.into(),
        },
        total: Some(group(&report.total)),
        groups: report.groups.iter().map(group).collect(),
        components: report.components.iter().map(actor_to_wire).collect(),
        n_unnamed: report.n_unnamed,
        units: report
            .units
            .iter()
            .map(|unit| v1::BadActor {
                name: format!("units/{}", unit.name),
                ..actor_to_wire(unit)
            })
            .collect(),
        repeats: Some(v1::Repeats {
            within_days: repeat_days,
            share: Some(share_to_wire(&report.repeats.share)),
            repeats: report.repeats.items.iter().map(repeat_to_wire).collect(),
        }),
        availability: report
            .availability
            .iter()
            .map(availability_to_wire)
            .collect(),
    }
}

fn mtbf_to_wire(mtbf: &Mtbf) -> v1::Bounded {
    v1::Bounded {
        value: mtbf.estimate,
        lower: mtbf.lower,
        upper: mtbf.upper,
    }
}

fn group_to_wire(group: &Group, confidence: f64) -> v1::FailureGroup {
    v1::FailureGroup {
        name: group.name.clone(),
        n_units: group.n_units,
        n_failures: group.n_failures,
        n_road_failures: group.n_road_failures,
        exposure_days: group.exposure_days,
        mtbf_days: group.mtbf.as_ref().map(mtbf_to_wire),
        trend: group
            .trend
            .as_ref()
            .map(|trend| trend_to_wire(trend, confidence)),
        growth: group.growth.as_ref().map(|growth| v1::Growth {
            exponent: growth.unbiased_exponent,
            scale: growth.unbiased_scale,
            mtbf_days: Some(match growth.unbiased_mtbf_bounds {
                Some(bounds) => v1::Bounded {
                    value: Some(bounds.value),
                    lower: bounds.lower,
                    upper: Some(bounds.upper),
                },
                None => v1::Bounded {
                    value: Some(growth.unbiased_mtbf),
                    lower: 0.0,
                    upper: None,
                },
            }),
            exponent_likeliest: growth.exponent,
            scale_likeliest: growth.scale,
            cramer_von_mises: growth.cramer_von_mises,
            fits: growth.fits(),
        }),
        lives: group.lives.as_ref().map(lives_to_wire),
        failed_at_days: group.failed_at_days.clone(),
    }
}

fn trend_to_wire(trend: &Trend, confidence: f64) -> v1::Trend {
    use v1::trend::Direction;
    let doubt = 1.0 - confidence;
    let military_p = trend.military_p();
    let (p, is_worse) = if trend.laplace_p < military_p {
        (trend.laplace_p, trend.laplace > 0.0)
    } else {
        let is_worse = trend.military_p_worsening < trend.military_p_improving;
        (military_p, is_worse)
    };
    v1::Trend {
        laplace: trend.laplace,
        laplace_p: trend.laplace_p,
        military: trend.military,
        military_degrees: trend.military_degrees,
        military_p,
        direction: match (p < doubt, is_worse) {
            (false, _) => Direction::None,
            (true, true) => Direction::Worsening,
            (true, false) => Direction::Improving,
        }
        .into(),
    }
}

fn lives_to_wire(lives: &Lives) -> v1::Lives {
    let bounded = |estimate: &wheeltap_analysis::reliability::Estimate| v1::Bounded {
        value: Some(estimate.value),
        lower: estimate.lower,
        upper: Some(estimate.upper),
    };
    v1::Lives {
        n_failed: lives.n_failed,
        n_good: lives.n_good,
        n_unseen: lives.n_unseen,
        weibull: lives.weibull.as_ref().map(|fit| v1::Weibull {
            shape: Some(bounded(&fit.shape)),
            scale_days: Some(bounded(&fit.scale)),
            mean_days: fit.mean(),
            tenth_days: fit.life(0.1),
            p_constant: fit.p_constant,
        }),
        ranks: lives.ranks.as_ref().map_or_else(Vec::new, |ranks| {
            let points = ranks.points.iter();
            points
                .map(|(days, share)| v1::RankedLife {
                    days: *days,
                    share: *share,
                })
                .collect()
        }),
    }
}

fn actor_to_wire(actor: &BadActor) -> v1::BadActor {
    v1::BadActor {
        name: actor.name.clone(),
        n_failures: actor.n_failures,
        share: actor.share,
        cumulated: actor.cumulated,
        expected: actor.expected,
        p: actor.p,
    }
}

fn repeat_to_wire(repeat: &Repeat) -> v1::Repeat {
    v1::Repeat {
        unit: convert::unit_name(&repeat.unit),
        component: repeat.component.clone(),
        first: convert::defect_name(repeat.first),
        again: convert::defect_name(repeat.again),
        after_ms: repeat.after_ms,
    }
}

fn availability_to_wire(availability: &Availability) -> v1::Availability {
    use v1::state_time::Counts;
    let states = availability.by_state_ms.iter().filter(|(_, ms)| *ms > 0);
    v1::Availability {
        unit_class: match availability.class.as_str() {
            "" => String::new(),
            class => format!("classes/{class}"),
        },
        share: availability.share(),
        states: states
            .map(|(state, ms)| v1::StateTime {
                state: convert::unit_state_to_wire(*state).into(),
                counts: if is_able(*state) {
                    Counts::Able
                } else if is_lost(*state) {
                    Counts::Lost
                } else {
                    Counts::Neither
                }
                .into(),
                unit_days: *ms as f64 / DAY_MS as f64,
            })
            .collect(),
    }
}
