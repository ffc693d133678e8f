//! Rule files in a folder.

/// The rule files, in a folder that lives as long as the guard.
pub fn folder(rules: &[(&str, &str)]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, text) in rules {
        std::fs::write(folder.path().join(format!("{name}.rhai")), text).unwrap();
    }
    folder
}
