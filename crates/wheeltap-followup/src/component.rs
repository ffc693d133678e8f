//! Names of components as people write them: `sander`, `Sander` and ` sander ` are one.

/// What two spellings of one component have in common: by this they are joined and compared.
pub(crate) fn key(component: &str) -> String {
    component.trim().to_ascii_lowercase()
}

/// Whether two spellings mean one component.
///
/// ```
/// use wheeltap_followup::is_same_component;
///
/// assert!(is_same_component("sander", " Sander "));
/// assert!(!is_same_component("sander", "sand box"));
/// ```
pub fn is_same(one: &str, other: &str) -> bool {
    one.trim().eq_ignore_ascii_case(other.trim())
}
