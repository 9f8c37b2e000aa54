//! The OpenAPI document: committed as it is made, with one meaning for each name.

use std::collections::HashSet;
use std::path::Path;

use serde_json::Value;

pub fn document() -> Value {
    serde_json::from_str(&ventmile::api::document_text()).unwrap()
}

/// Path, method and description of every operation.
pub fn operations(document: &Value) -> Vec<(String, String, Value)> {
    let paths = document["paths"].as_object().unwrap();
    let of_path = |(path, item): (&String, &Value)| -> Vec<(String, String, Value)> {
        let methods = item.as_object().unwrap().iter();
        methods.map(|(method, operation)| (path.clone(), method.clone(), operation.clone())).collect()
    };
    paths.iter().flat_map(of_path).collect()
}

#[test]
fn the_committed_file_is_the_document() {
    let file = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../openapi/ventmile.json"));
    let made = ventmile::api::document_text();
    if std::env::var_os("VENTMILE_WRITE_OPENAPI").is_some() {
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        std::fs::write(file, &made).unwrap();
    }
    let committed = std::fs::read_to_string(file).unwrap_or_default();
    // Not assert_eq: two texts of thousands of lines help nobody.
    assert!(
        committed == made,
        "openapi/ventmile.json is not what the code makes: run this with VENTMILE_WRITE_OPENAPI=1"
    );
}

#[test]
fn it_is_openapi_3_1() {
    let document = document();
    assert!(document["openapi"].as_str().unwrap().starts_with("3.1."), "{}", document["openapi"]);
    assert_eq!(document["info"]["title"], "Ventmile");
    assert_eq!(document["components"]["securitySchemes"]["key"]["scheme"], "bearer");
}

#[test]
fn operation_ids_are_unique_and_read_verb_resource() {
    const VERBS: [&str; 40] = [
        "accept", "add", "ask", "cancel", "change", "complete", "decline", "get", "hand", "issue", "list", "miss",
        "move", "override", "pause", "post", "raise", "record", "remove", "reopen", "resume", "retire", "return",
        "rule", "start", "take", "void", "plan", "confirm", "refuse", "expect", "report", "revoke", "withdraw",
        "receive", "rotate", "close", "ping", "resend", "follow",
    ];
    let mut seen = HashSet::new();
    for (path, _, operation) in operations(&document()) {
        let id = operation["operationId"].as_str().unwrap().to_owned();
        assert!(seen.insert(id.clone()), "{id} stands twice");
        if path.starts_with("/v1/") {
            let (verb, resource) = id.split_once('_').unwrap_or_else(|| panic!("{id} names no resource"));
            assert!(VERBS.contains(&verb) && !resource.is_empty(), "{id}");
        }
        assert!(operation["summary"].as_str().is_some_and(|summary| !summary.is_empty()), "{id} has no summary");
        assert!(operation["tags"].as_array().is_some_and(|tags| tags.len() == 1), "{id}");
    }
    assert!(seen.len() > 30, "{}", seen.len());
}

#[test]
fn every_operation_behind_a_key_documents_its_problems() {
    for (path, method, operation) in operations(&document()) {
        let responses = operation["responses"].as_object().unwrap();
        for (status, response) in responses.iter().filter(|(status, _)| status.starts_with(['4', '5'])) {
            let content = response["content"].as_object().unwrap();
            let media: Vec<&String> = content.keys().collect();
            assert_eq!(media, ["application/problem+json"], "{method} {path} {status}");
            assert_eq!(content["application/problem+json"]["schema"]["$ref"], "#/components/schemas/Problem");
        }
        if path.starts_with("/v1/") {
            assert!(responses.keys().any(|status| status.starts_with('4')), "{method} {path}");
            if operation["operationId"] == "get_calendar" {
                continue;
            }
            let scopes = operation["security"][0]["key"].as_array().unwrap_or_else(|| panic!("{method} {path}"));
            assert_eq!(scopes.len(), 1, "{method} {path}");
        }
    }
}

#[test]
fn every_act_documents_its_headers() {
    for (path, method, operation) in operations(&document()) {
        let empty = Vec::new();
        let parameters = operation["parameters"].as_array().unwrap_or(&empty);
        let required = |name: &str| {
            let found = parameters.iter().find(|parameter| parameter["name"] == name && parameter["in"] == "header");
            found.map(|parameter| parameter["required"] == true)
        };
        // A question saves nothing, so there is nothing to repeat.
        let question = operation["operationId"].as_str().is_some_and(|id| id.starts_with("ask_"));
        if method == "post" && path.starts_with("/v1/") && !question {
            assert!(required("Idempotency-Key").is_some(), "{path}: honoured on every POST");
        }
        if method == "patch" {
            assert_eq!(required("If-Match"), Some(true), "{path}");
        }
        let act = method == "post" && path.starts_with("/v1/work-orders/{number}/");
        if act {
            assert_eq!((required("If-Match"), required("Idempotency-Key")), (Some(true), Some(true)), "{path}");
        }
        let in_path: Vec<&str> = path.split(['{', '}']).skip(1).step_by(2).collect();
        for name in in_path {
            let told = parameters.iter().any(|parameter| parameter["name"] == name && parameter["in"] == "path");
            assert!(told, "{method} {path}: {name}");
        }
    }
}

/// Every name under `$ref`.
fn references<'a>(value: &'a Value, found: &mut HashSet<&'a str>) {
    match value {
        Value::Object(members) => {
            if let Some(name) = members.get("$ref").and_then(Value::as_str) {
                found.insert(name);
            }
            members.values().for_each(|member| references(member, found));
        }
        Value::Array(members) => members.iter().for_each(|member| references(member, found)),
        _ => {}
    }
}

#[test]
fn every_reference_resolves() {
    let document = document();
    let mut found = HashSet::new();
    references(&document, &mut found);
    let known: HashSet<String> = document["components"]["schemas"].as_object().unwrap().keys().cloned().collect();
    let used: HashSet<String> =
        found.iter().map(|name| name.strip_prefix("#/components/schemas/").unwrap().to_owned()).collect();
    let unknown: Vec<_> = used.difference(&known).collect();
    assert!(unknown.is_empty() && used.len() > 40, "{unknown:?} of {}", used.len());
}

/// Names under which types derive a schema: two of one name would overwrite each other in silence.
#[test]
fn no_schema_has_two_definitions() {
    let folder = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/src"));
    let mut names = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                names.extend(schema_names(&std::fs::read_to_string(path).unwrap()));
            }
        }
    }
    assert!(names.len() > 40, "{}", names.len());
    names.sort();
    let twice: Vec<_> = names.windows(2).filter(|pair| pair[0] == pair[1]).map(|pair| pair[0].clone()).collect();
    assert_eq!(twice, [""; 0]);
}

/// The types of a source text that derive a schema, outside its tests.
fn schema_names(text: &str) -> Vec<String> {
    let code = text.split("#[cfg(test)]").next().unwrap_or_default();
    let mut names = Vec::new();
    let mut derived = false;
    for line in code.lines() {
        derived |= line.starts_with("#[derive(") && line.contains("ToSchema");
        let item = line.trim_start_matches("pub(super) ").trim_start_matches("pub ");
        let name = item.strip_prefix("struct ").or_else(|| item.strip_prefix("enum "));
        if let Some(name) = name.filter(|_| std::mem::take(&mut derived)) {
            names.push(name.chars().take_while(|letter| letter.is_alphanumeric()).collect());
        }
    }
    names
}

#[test]
fn the_schema_reader_sees_both_definitions() {
    let text = "#[derive(Debug, ToSchema)]\npub struct Row {\n}\n#[derive(ToSchema)]\nstruct Row;\nstruct Other;\n";
    assert_eq!(schema_names(text), ["Row", "Row"]);
}
