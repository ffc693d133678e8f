//! Words of the contract that can be said on the command line.

use clap::ValueEnum;
use wheeltap_proto::v1;

macro_rules! words {
    ($($(#[$doc:meta])* $name:ident => $target:ty { $($(#[$variant_doc:meta])* $variant:ident => $to:ident),* $(,)? })*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
        pub enum $name { $($(#[$variant_doc])* $variant),* }

        impl From<$name> for $target {
            fn from(word: $name) -> Self {
                match word { $($name::$variant => Self::$to),* }
            }
        }
    )*};
}

words! {
    /// Of an alert.
    ConditionArg => v1::Condition {
        Standing => Standing, Ended => Ended, Withdrawn => Withdrawn,
    }
    /// How soon to look.
    PriorityArg => v1::Priority {
        /// At the next planned stop
        Low => Low,
        /// Today
        Medium => Medium,
        /// This trip
        High => High,
        /// Now; people may be at risk
        Urgent => Urgent,
    }
    /// Of a defect.
    DefectStatusArg => v1::DefectStatus {
        /// Open; what it is has not been seen yet
        Suspected => Suspected,
        /// Open, with a place and a time for the work
        Planned => Planned,
        /// Open; the shop is at it
        InWork => InWork,
        /// Closed with a finding
        Closed => Closed,
        /// Closed without a finding
        FindingOwed => FindingOwed,
        /// Late data took back every alert behind it
        Void => Void,
        /// All of it went into another defect
        Merged => Merged,
    }
    /// What holds for a unit until the work is done.
    DispositionArg => v1::Disposition {
        /// It goes on as it is
        RunOn => RunOn,
        /// It goes on under a restriction, which --how says
        Restrict => Restrict,
        Isolate => Isolate,
        /// A motor, the dynamic brake or a sander, which --how says
        CutOut => CutOut,
        /// Another unit of the consist leads
        SwapLead => SwapLead,
        /// Other power is arranged
        ArrangePower => ArrangePower,
        /// It waits for its next service stop
        NextServiceStop => NextServiceStop,
        SetOut => SetOut,
    }
    /// Who reports a defect.
    OriginArg => v1::DefectOrigin {
        CrewReport => CrewReport,
        DailyInspection => DailyInspection,
        ShopFind => ShopFind,
        RoadFailure => RoadFailure,
    }
    /// What the shop found.
    FindingArg => v1::FindingKind {
        /// As the rule called it
        AsCalled => AsCalled,
        AnotherFault => AnotherFault,
        /// The sensor or its wiring
        SensorOrWiring => SensorOrWiring,
        NoFaultFound => NoFaultFound,
        CouldNotTest => CouldNotTest,
        NotLookedAt => NotLookedAt,
    }
    /// What a unit does.
    UnitStateArg => v1::UnitState {
        Unknown => Unknown,
        Working => Working,
        /// On line, not loading
        Isolated => Isolated,
        StoppedManual => StoppedManual,
        /// Stopped by the automatic stop: it can crank
        StoppedAuto => StoppedAuto,
        StoppedTrip => StoppedTrip,
        DeadInTow => DeadInTow,
        Stored => Stored,
        InShop => InShop,
        /// On another railway
        OffLine => OffLine,
    }
    /// Where a rule stands.
    StageArg => v1::RuleStage {
        /// Kept, not judged
        Draft => Draft,
        /// Judged on live data; rings nobody
        Trial => Trial,
        /// Judged and announced
        Live => Live,
        /// Kept for its past alerts
        Retired => Retired,
    }
}
