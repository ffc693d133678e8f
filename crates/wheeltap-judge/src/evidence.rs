//! What a rule saw, small enough for the record of an alert.

use wheeltap_model::EvidenceItem;

/// The most bytes that what a rule saw at one tick takes, written as JSON. The record of an alert that ended
/// holds it twice, and a store takes 48 KiB.
const MOST_BYTES: usize = 22 * 1024;
/// Of an input what its texts do not take: the names of four fields, quotes, a number of 25 digits.
const AROUND_BYTES: usize = 80;

/// Room for what says that something is left out.
const NOTE_BYTES: usize = 48;

/// Bytes of a text as JSON.
fn bytes(text: &str) -> usize {
    let escaped = |byte: u8| match byte {
        b'"' | b'\\' => 2,
        ..0x20 => 6,
        _ => 1,
    };
    text.bytes().map(escaped).sum()
}

/// Bytes that an input takes with nothing said of how it was computed.
fn least(item: &EvidenceItem) -> usize {
    AROUND_BYTES + bytes(&item.input) + bytes(&item.ucum)
}

/// The text, or as much of its beginning as leaves room to say how much of it is left out.
fn cut(text: &str, most: usize) -> String {
    if bytes(text) <= most {
        return text.to_owned();
    }
    let mut room = most.saturating_sub(NOTE_BYTES);
    let kept = text.chars().take_while(|next| {
        let size = bytes(next.encode_utf8(&mut [0; 4]));
        let fits = size <= room;
        room -= if fits { size } else { 0 };
        fits
    });
    let kept: String = kept.collect();
    let n_left_out = text.chars().count() - kept.chars().count();
    format!("{kept} .. {n_left_out} more characters left out")
}

/// Cuts how inputs were computed, the longest texts first and all to one length, until everything fits; each that was
/// cut says so. With inputs that rules are refused for some are left out from the end, and the last one says how many.
pub(crate) fn fitted(mut items: Vec<EvidenceItem>) -> Vec<EvidenceItem> {
    let mut sizes: Vec<(usize, usize)> = items
        .iter()
        .map(|item| (least(item), bytes(&item.of)))
        .collect();
    let fit = |sizes: &[(usize, usize)], most: usize, room: usize| {
        let cut_to = sizes.iter().map(|(least, of)| least + of.min(&most));
        cut_to.sum::<usize>() <= room
    };
    if fit(&sizes, usize::MAX, MOST_BYTES) {
        return items;
    }
    let room = MOST_BYTES - NOTE_BYTES;
    while sizes.len() > 1 && !fit(&sizes, NOTE_BYTES, room) {
        sizes.pop();
    }
    let n_left_out = items.len() - sizes.len();
    items.truncate(sizes.len());
    let most = (NOTE_BYTES..MOST_BYTES)
        .rev()
        .find(|most| fit(&sizes, *most, room))
        .unwrap_or(NOTE_BYTES);
    for item in &mut items {
        item.of = cut(&item.of, most);
    }
    if let Some(last) = items.last_mut().filter(|_| n_left_out > 0) {
        let said = format!("; {n_left_out} more inputs left out");
        last.of.push_str(&said);
    }
    items
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use wheeltap_model::KnownValue;

    fn item(input: &str, of: String, ucum: String) -> EvidenceItem {
        EvidenceItem {
            input: input.to_owned(),
            of,
            ucum,
            value: KnownValue::Number(-1.234_567_890_123_456_7e-300),
        }
    }

    fn written(items: &[EvidenceItem]) -> usize {
        serde_json::to_vec(items).unwrap().len()
    }

    proptest! {
        #[test]
        fn what_is_written_never_takes_more(
            parts in prop::collection::vec(("[a-z]{1,64}", 0_usize..3_000, "[a-z]{0,64}", "[ -~é\\u{1}\"]"), 1..65),
        ) {
            let items: Vec<EvidenceItem> = parts.iter()
                .map(|(input, n, ucum, of)| item(input, of.repeat(*n), ucum.clone()))
                .collect();
            let kept = fitted(items.clone());
            prop_assert!(written(&kept) <= MOST_BYTES, "{} bytes", written(&kept));
            prop_assert_eq!(kept.len(), items.len());
            for (kept, whole) in kept.iter().zip(&items) {
                prop_assert_eq!((&kept.input, &kept.ucum, kept.value), (&whole.input, &whole.ucum, whole.value));
                let Some((begins, note)) = kept.of.rsplit_once(" .. ").filter(|_| kept.of != whole.of) else {
                    prop_assert_eq!(&kept.of, &whole.of);
                    continue;
                };
                prop_assert!(whole.of.starts_with(begins));
                let n_left_out = whole.of.chars().count() - begins.chars().count();
                prop_assert_eq!(note, format!("{n_left_out} more characters left out"));
            }
        }
    }

    #[test]
    fn short_texts_stay_whole_beside_one_that_is_too_long() {
        let short = item(
            "oil",
            "mean(engine.oil.temperature, 5 min)".to_owned(),
            "Cel".to_owned(),
        );
        let long = item("far", "x".repeat(60_000), "1".to_owned());
        let kept = fitted(vec![short.clone(), long, short.clone()]);
        assert_eq!((&kept[0], &kept[2]), (&short, &short));
        assert!(written(&kept) > MOST_BYTES - 200, "{}", written(&kept));
        assert!(
            kept[1].of.ends_with(" more characters left out"),
            "{}",
            kept[1].of
        );
    }

    #[test]
    fn inputs_that_leave_no_room_are_counted() {
        let wide = |n: usize| item(&format!("input{n}"), "y".repeat(90), "z".repeat(900));
        let kept = fitted((0..40).map(wide).collect());
        assert!(written(&kept) <= MOST_BYTES);
        let said = format!("; {} more inputs left out", 40 - kept.len());
        assert!(kept.last().unwrap().of.ends_with(&said), "{kept:#?}");
        assert!(kept.len() > 15, "{}", kept.len());
    }
}
