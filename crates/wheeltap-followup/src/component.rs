//! Names of components as people write them: `oil cooler`, `Oil Cooler` and ` oil  cooler ` are one.

/// What all spellings of one component have in common: by this they are joined and compared.
pub(crate) fn key(component: &str) -> String {
    let words: Vec<&str> = component.split_whitespace().collect();
    words.join(" ").to_lowercase()
}

/// Whether two spellings mean one component.
///
/// ```
/// use wheeltap_followup::is_same_component;
///
/// assert!(is_same_component("oil cooler", " Oil  Cooler "));
/// assert!(!is_same_component("oil cooler", "oil pump"));
/// ```
pub fn is_same(one: &str, other: &str) -> bool {
    key(one) == key(other)
}
