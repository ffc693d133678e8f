//! Strips unpacked lately: a strip holds all channels of a unit, and who reads one channel mostly reads the
//! next one too.

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;
use wheeltap_model::Batch;

/// Samples and events that are kept unpacked at most, about 24 bytes each: a week of a unit that sends
/// 300,000 a day.
const MOST_SAMPLES: usize = 2_500_000;

/// Unit and strip, as in the layout. A number is never used twice, and what it names never changes.
type Id = (u32, u64);

/// The strips, the first to come the first to go.
#[derive(Default)]
pub(super) struct Decoded {
    strips: HashMap<Id, Arc<Batch>>,
    order: VecDeque<Id>,
    n_samples: usize,
}

impl Decoded {
    pub(super) fn get(&self, unit: u32, id: u64) -> Option<Arc<Batch>> {
        self.strips.get(&(unit, id)).map(Arc::clone)
    }

    pub(super) fn put(&mut self, unit: u32, id: u64, strip: &Arc<Batch>) {
        if self.strips.insert((unit, id), Arc::clone(strip)).is_some() {
            return;
        }
        self.order.push_back((unit, id));
        self.n_samples += strip.len();
        while self.n_samples > MOST_SAMPLES {
            let Some(oldest) = self.order.pop_front() else {
                break;
            };
            if let Some(gone) = self.strips.remove(&oldest) {
                self.n_samples -= gone.len();
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use wheeltap_model::{ChannelId, Column};

    fn strip(n_samples: usize) -> Arc<Batch> {
        let times_ms: Vec<i64> = (0..).take(n_samples).collect();
        Arc::new(Batch {
            columns: vec![Column {
                channel: ChannelId(1),
                values: vec![0.0; n_samples],
                times_ms: times_ms.into(),
                qualities: Vec::new(),
            }],
            events: Vec::new(),
            complete_through: None,
        })
    }

    #[test]
    fn the_first_to_come_goes_when_room_is_short() {
        let mut decoded = Decoded::default();
        let half = strip(MOST_SAMPLES / 2);
        decoded.put(1, 1, &half);
        decoded.put(1, 2, &half);
        decoded.put(1, 2, &half);
        assert!(decoded.get(1, 1).is_some() && decoded.get(2, 1).is_none());
        decoded.put(1, 3, &strip(2));
        assert!(decoded.get(1, 1).is_none() && decoded.get(1, 2).is_some());
        assert_eq!(decoded.n_samples, MOST_SAMPLES / 2 + 2);
    }
}
