//! Style and scripts: embedded, addressed by their content, kept by browsers for a year.

use std::sync::LazyLock;

use axum::extract::Path;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};

use super::refusal::Refusal;

/// Name, media type and content of each file. A page's own script is added here and named in its [`super::frame::Frame`].
const FILES: &[(&str, &str, &str)] = &[
    ("board.css", "text/css; charset=utf-8", include_str!("static/board.css")),
    ("keep.js", "text/javascript; charset=utf-8", include_str!("static/keep.js")),
    ("live.js", "text/javascript; charset=utf-8", include_str!("static/live.js")),
    ("rows-from-file.js", "text/javascript; charset=utf-8", include_str!("static/rows-from-file.js")),
    ("icon.svg", "image/svg+xml", include_str!("static/icon.svg")),
];

/// Hexadecimal digits of the content's hash in an address.
const DIGITS: usize = 12;

/// `(name, file name with the hash, media type, content)`.
type Asset = (&'static str, String, &'static str, &'static str);

static ASSETS: LazyLock<Vec<Asset>> = LazyLock::new(|| {
    let hashed = |name: &str, content: &str| {
        let hash = hex::encode(Sha256::digest(content));
        format!("{}-{name}", hash.get(..DIGITS).unwrap_or_default())
    };
    FILES.iter().map(|(name, kind, content)| (*name, hashed(name, content), *kind, *content)).collect()
});

/// The address of a file.
pub(super) fn address(name: &str) -> String {
    let file = ASSETS.iter().find(|asset| asset.0 == name).map_or(name, |asset| asset.1.as_str());
    format!("/board/static/{file}")
}

pub(super) async fn serve(Path(file): Path<String>) -> Response {
    match ASSETS.iter().find(|asset| asset.1 == file) {
        Some((_, _, kind, content)) => {
            let headers =
                [(header::CONTENT_TYPE, *kind), (header::CACHE_CONTROL, "public, max-age=31536000, immutable")];
            (headers, *content).into_response()
        }
        None => Refusal::no_page().into_response(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_changes_with_its_content() {
        let hash = hex::encode(Sha256::digest(include_str!("static/board.css")));
        assert_eq!(address("board.css"), format!("/board/static/{}-board.css", &hash[..DIGITS]));
    }
}
