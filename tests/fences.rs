//! The walls of the house: which room may name what.

use std::path::{Path, PathBuf};

fn server() -> PathBuf {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/..")).to_owned()
}

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            files.push(path);
        }
    }
    files
}

/// Lines of the room that name one of `banned` as a path's head or a module.
fn offences(room: &str, banned: &[&str]) -> Vec<String> {
    let folder = server().join("daemon/src").join(room);
    let files = if folder.is_dir() { rust_files(&folder) } else { vec![folder.with_extension("rs")] };
    let mut found = Vec::new();
    for file in files {
        let text = std::fs::read_to_string(&file).unwrap();
        for (number, line) in text.lines().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            if banned.iter().any(|name| names(code, name)) {
                found.push(format!("{}:{}: {}", file.display(), number + 1, line.trim()));
            }
        }
    }
    found
}

/// Whether `code` names `name` as a whole word at the head of a path.
fn names(code: &str, name: &str) -> bool {
    code.match_indices(name).any(|(place, _)| {
        let before = code[..place].chars().next_back();
        let after = &code[place + name.len()..];
        let whole = !before.is_some_and(|letter| letter.is_alphanumeric() || letter == '_');
        whole && (after.starts_with("::") || after.starts_with(';') || after.starts_with(','))
    })
}

#[track_caller]
fn check(room: &str, banned: &[&str]) {
    let found = offences(room, banned);
    assert!(found.is_empty(), "the room {room} names what it must not:\n{}", found.join("\n"));
}

#[test]
fn the_store_never_sees_http() {
    check("store", &["axum", "hyper", "utoipa", "crate::api", "crate::app", "crate::loops", "crate::board"]);
}

#[test]
fn api_and_board_never_see_sql() {
    check("api", &["sqlx", "crate::loops", "crate::board", "crate::cli", "crate::serve"]);
    check("board", &["sqlx", "utoipa", "crate::loops", "crate::api", "crate::cli", "crate::serve"]);
}

#[test]
fn the_use_cases_never_see_http_or_sql() {
    check("app", &["axum", "hyper", "utoipa", "sqlx", "crate::api", "crate::loops", "crate::board"]);
}

#[test]
fn the_courier_only_carries() {
    check("courier", &["axum", "sqlx", "crate::api", "crate::app", "crate::store", "crate::loops", "crate::board"]);
}

#[test]
fn the_loops_only_call_use_cases() {
    check("loops", &["axum", "hyper", "sqlx", "ventmile_model", "crate::api", "crate::board"]);
}

#[test]
fn the_fence_sees_a_break() {
    assert!(names("use sqlx::Row;", "sqlx"));
    assert!(names("let x = crate::app::App::open();", "crate::app"));
    assert!(!names("let my_sqlx = 1;", "sqlx"));
    assert!(!names("axum_like::x", "axum"));
}

/// What the model crate may depend on: a new name here is a decision about the house.
const MODEL_MAY_USE: [&str; 4] = ["chrono", "chrono-tz", "libm", "serde"];

/// What is wrong with a manifest of the model.
fn leaks(manifest: &str) -> Vec<String> {
    let manifest: toml::Table = manifest.parse().unwrap();
    let dependencies = manifest["dependencies"].as_table().unwrap();
    let mut found: Vec<String> =
        dependencies.keys().filter(|name| !MODEL_MAY_USE.contains(&name.as_str())).cloned().collect();
    found.extend(manifest.keys().filter(|key| ["build-dependencies", "target"].contains(&key.as_str())).cloned());
    let chrono = dependencies["chrono"].as_table();
    let defaults = chrono.and_then(|chrono| chrono.get("default-features")?.as_bool()).unwrap_or(true);
    found.extend(defaults.then(|| "chrono's default features".to_owned()));
    let features = chrono.and_then(|chrono| chrono.get("features")?.as_array());
    let clock = |name: &toml::Value| ["clock", "now", "default"].into_iter().find(|bad| name.as_str() == Some(bad));
    found.extend(features.into_iter().flatten().filter_map(clock).map(|bad| format!("chrono/{bad}")));
    found
}

#[test]
fn the_model_depends_on_nothing_that_does_input_or_output() {
    let text = std::fs::read_to_string(server().join("model/Cargo.toml")).unwrap();
    assert_eq!(leaks(&text), Vec::<String>::new());
}

#[test]
fn the_fence_of_the_manifest_sees_a_break() {
    let broken = r#"
        [dependencies]
        chrono = { version = "0.4", features = ["clock"] }
        libm = "0.2"
        sqlx = "0.9"
        [build-dependencies]
        cc = "1"
    "#;
    assert_eq!(leaks(broken), ["sqlx", "build-dependencies", "chrono's default features", "chrono/clock"]);
}
