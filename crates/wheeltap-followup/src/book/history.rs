//! The newest changes, ready for those who come back for them.

use super::{ChangeNotice, HistoryGone};
use std::collections::VecDeque;

/// Changes of one kind, oldest first, up to a bound.
#[derive(Clone, Debug, Default)]
pub(super) struct History {
    changes: VecDeque<(ChangeNotice, usize)>,
    weight: usize,
    pub(super) forgotten_through: u64,
}

impl History {
    pub(super) fn push(&mut self, notice: ChangeNotice, weight: usize, limit: usize) {
        self.weight += weight;
        self.changes.push_back((notice, weight));
        while self.weight > limit {
            let Some((gone, weight)) = self.changes.pop_front() else {
                break;
            };
            self.weight -= weight;
            self.forgotten_through = gone.seq();
        }
    }

    pub(super) fn n_after(&self, seq: u64) -> usize {
        let changes = &self.changes;
        changes.len() - changes.partition_point(|(notice, _)| notice.seq() <= seq)
    }

    pub(super) fn after(&self, seq: u64, limit: usize) -> Result<Vec<ChangeNotice>, HistoryGone> {
        if seq < self.forgotten_through {
            return Err(HistoryGone {
                forgotten_through: self.forgotten_through,
            });
        }
        let start = self
            .changes
            .partition_point(|(notice, _)| notice.seq() <= seq);
        // Up to the end of an entry: whoever goes on after it must not miss the rest of it.
        let last = limit
            .checked_sub(1)
            .and_then(|idx| self.changes.get(start + idx));
        let through = last.map(|(notice, _)| notice.seq());
        let rest = self.changes.iter().skip(start).enumerate();
        let whole =
            rest.take_while(|(idx, (notice, _))| *idx < limit || Some(notice.seq()) == through);
        Ok(whole.map(|(_, (notice, _))| notice.clone()).collect())
    }
}
