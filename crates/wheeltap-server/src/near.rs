//! Which of the names that there are somebody may have meant by one that there is not.

/// Names told at most.
const MOST: usize = 3;
/// Letters of the longest word that names are looked for near: counting edits takes time and memory by the product
/// of both lengths, and no name is as long.
const MOST_LETTERS: usize = 128;

/// How far a name is from what was written; the least is the nearest.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Distance {
    /// Another case, or other spaces, dots and dashes.
    SameLetters,
    /// Such as a road number without its railway's initials.
    Part,
    /// Letters that are missing, wrong, too many or swapped.
    Edits(usize),
    SharedWord,
}

fn letters(name: &str) -> String {
    let letters = name.chars().filter(|of| of.is_alphanumeric());
    letters.flat_map(char::to_lowercase).collect()
}

fn distance(word: &str, name: &str) -> Option<Distance> {
    let (bare_word, bare_name) = (letters(word), letters(name));
    if bare_word == bare_name {
        return Some(Distance::SameLetters);
    }
    let n_letters = bare_word.chars().count();
    if n_letters > 2 && bare_name.contains(&bare_word) {
        return Some(Distance::Part);
    }
    let most_edits = 1 + n_letters / 4;
    if n_letters.abs_diff(bare_name.chars().count()) <= most_edits {
        let n_edits = strsim::damerau_levenshtein(&bare_word, &bare_name);
        if n_edits <= most_edits {
            return Some(Distance::Edits(n_edits));
        }
    }
    let name = name.to_lowercase();
    let shares_word = word.to_lowercase().split_whitespace().any(|word| {
        let mut others = name.split_whitespace();
        word.chars().count() > 2 && others.any(|other| other == word)
    });
    shares_word.then_some(Distance::SharedWord)
}

/// The names nearest to a word, all of them as near. None where several edits or a word in common lead to more
/// than a few: that would be any of them; nor of a word that is far longer than names are.
pub fn nearest<'a>(word: &str, names: impl IntoIterator<Item = &'a str>) -> Vec<&'a str> {
    if word.chars().count() > MOST_LETTERS {
        return Vec::new();
    }
    let names = names.into_iter();
    let mut near: Vec<(Distance, &str)> = names
        .filter_map(|name| Some((distance(word, name)?, name)))
        .collect();
    near.sort_unstable();
    near.dedup();
    let Some((best, _)) = near.first().copied() else {
        return Vec::new();
    };
    near.retain(|(distance, _)| *distance == best);
    if near.len() > MOST && best > Distance::Edits(1) {
        return Vec::new();
    }
    near.into_iter().take(MOST).map(|(_, name)| name).collect()
}

/// `; did you mean a, b or c?`, or nothing where none is near.
pub fn meant<'a>(word: &str, names: impl IntoIterator<Item = &'a str>) -> String {
    let near = nearest(word, names);
    match near.split_last() {
        None => String::new(),
        Some((only, [])) => format!("; did you mean {only}?"),
        Some((last, rest)) => format!("; did you mean {} or {last}?", rest.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_names_are_told_and_far_ones_are_not() {
        let units = ["ZVR 1203", "ZVR 3011", "ZVR 4105", "ZVR 4117"];
        for (word, near) in [
            ("zvr4117", &["ZVR 4117"][..]),
            ("ZVR-4117", &["ZVR 4117"]),
            ("4117", &["ZVR 4117"]),
            ("ZVR 4171", &["ZVR 4117"]),
            ("ZVR 3017", &["ZVR 3011"]),
            ("WXA 9999", &[]),
            ("", &[]),
        ] {
            assert_eq!(nearest(word, units), near, "{word}");
        }
        assert_eq!(nearest("Oil-Warm", ["oil-warm", "oil-cold"]), ["oil-warm"]);
        assert_eq!(
            meant("burbot yrad", ["Burbot Yard"]),
            "; did you mean Burbot Yard?"
        );
        assert_eq!(meant("b", ["a", "c"]), "; did you mean a or c?");
        let components = [
            "oil cooler",
            "oil pump",
            "sander delivery",
            "traction motor",
        ];
        for (word, near) in [
            ("Oil coolar", &["oil cooler"][..]),
            ("oil heater", &["oil cooler", "oil pump"]),
            ("sand delivery", &["sander delivery"]),
            ("flux capacitor", &[]),
        ] {
            assert_eq!(nearest(word, components), near, "{word}");
        }
    }

    #[test]
    fn nothing_is_near_a_word_that_is_far_longer_than_names() {
        let long = "oil cooler ".repeat(100_000);
        let names = || [long.as_str(), "oil cooler"].into_iter();
        assert_eq!(nearest(&long, names()), [] as [&str; 0]);
        assert_eq!(nearest("oil coler", names()), ["oil cooler"]);
    }

    #[test]
    fn what_would_be_any_of_a_fleet_is_not_told() {
        let fleet: Vec<String> = (4_100..4_200)
            .map(|number| format!("ZVR {number}"))
            .collect();
        let fleet = || fleet.iter().map(String::as_str);
        assert_eq!(nearest("ZVR 4200", fleet()), ["ZVR 4100"]);
        assert_eq!(nearest("ZVR 4299", fleet()), ["ZVR 4199"]);
        assert_eq!(nearest("ZVR 777777", fleet()), [] as [&str; 0]);
    }
}
