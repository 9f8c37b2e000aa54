//! The works that are measured.

use std::path::Path;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::Result;
use crate::daemon::Daemon;
use crate::database::Database;
use crate::disk::sync_times;
use crate::fleet::{self, Arrivals, Reading, SOURCE, Veterans, ndjson};
use crate::http::{self, Client, Load, NDJSON};
use crate::memory::Memory;
use crate::pages;
use crate::table::{Row, count, median, ratio, time};

/// How much is done.
pub struct Sizes {
    pub rounds: usize,
    pub cars: usize,
    /// Rows of a post, and posts of a round.
    bulk: [(usize, usize); 2],
    posts_a_client: usize,
    listed_cars: usize,
    /// Cars of the fleet whose pages are looked at.
    pub paged_cars: usize,
    read_time: Duration,
    /// Cars of each age that are recast.
    veterans: usize,
}

const WRITERS: usize = 64;
const READERS: usize = 32;
const READINGS: &str = "/v1/odometer-readings";
const PAGE: &str = "/v1/upcoming?limit=50";
/// Raising waits for the logs of a new car to be quiet for `raise.settle_seconds`.
const RAISED: Duration = Duration::from_secs(6);

impl Sizes {
    pub fn full() -> Self {
        Self {
            rounds: 7,
            cars: 500,
            bulk: [(1_000, 20), (50_000, 1)],
            posts_a_client: 32,
            listed_cars: 100_000,
            paged_cars: 40_000,
            read_time: Duration::from_secs(3),
            veterans: 200,
        }
    }

    pub fn quick() -> Self {
        Self {
            rounds: 1,
            cars: 100,
            bulk: [(1_000, 2), (5_000, 1)],
            posts_a_client: 4,
            listed_cars: 1_000,
            paged_cars: 1_000,
            read_time: Duration::from_millis(500),
            veterans: 20,
        }
    }
}

pub async fn all(database: &Database, folder: &Path, sizes: &Sizes) -> Result<Vec<Row>> {
    let mut rows = writing(database, folder, sizes).await?;
    rows.extend(reading(database, folder, sizes).await?);
    rows.extend(recasting(database, sizes).await?);
    rows.extend(pages::all(database, sizes).await?);
    Ok(rows)
}

/// Says on stderr how far the run is, and which process to look at.
pub fn progress(what: &str, daemon: &Daemon) {
    eprintln!("measuring {what} (daemon {})", daemon.id());
}

/// The rates of the rounds.
#[derive(Default)]
struct Rates {
    ours: Vec<f64>,
    reference: Vec<f64>,
}

impl Rates {
    fn row(&self, work: String, what: &str, reference: &str) -> Row {
        Row {
            work,
            ours: format!("{} {what}/s", count(median(&self.ours))),
            reference: format!("{reference}: {} {what}/s", count(median(&self.reference))),
            ratio: ratio(&self.ours, &self.reference),
        }
    }
}

async fn writing(database: &Database, folder: &Path, sizes: &Sizes) -> Result<Vec<Row>> {
    database.create("logs").await?;
    let daemon = database.serve("logs", &[]).await?;
    let mut client = daemon.client().await?;
    fleet::register(&mut client, sizes.cars).await?;
    // The first reading brings the source into the register, which the bare engine needs as well.
    let first = serde_json::json!({"unit": fleet::unit(2), "at": chrono::Utc::now(), "odometer": 90_000,
        "distance_unit": "mi", "source": SOURCE});
    client.store(READINGS, NDJSON, first.to_string(), 1).await?;
    database.settle("logs").await?;
    drop((client, daemon));
    database.copy("logs", "bare").await?;

    let vehicle_ids = database.numbers("logs", "SELECT id FROM vehicles ORDER BY unit").await?;
    let source_id = database.numbers("logs", "SELECT id FROM sources WHERE name = 'bench'").await?;
    let mut arrivals = Arrivals::new(vehicle_ids, *source_id.first().ok_or("there is no source")?);
    let bare = database.bare("bare", WRITERS as u32).await?;
    let daemon = database.serve("logs", &[]).await?;
    let mut client = daemon.client().await?;
    let mut rows = Vec::new();
    for (size, posts) in sizes.bulk {
        progress(&format!("posts of {size} rows"), &daemon);
        let mut rates = Rates::default();
        for _ in 0..sizes.rounds {
            let mut posted = Vec::new();
            let mut bulks = Vec::new();
            for _ in 0..posts {
                let (sent, stored) = arrivals.next(size);
                posted.push(ndjson(sent));
                bulks.push(stored);
            }
            let start = Instant::now();
            for body in posted {
                client.store(READINGS, NDJSON, body, size).await?;
            }
            rates.ours.push((size * posts) as f64 / start.elapsed().as_secs_f64());
            database.settle("logs").await?;
            let start = Instant::now();
            for bulk in bulks {
                bare.bulk(bulk).await?;
            }
            rates.reference.push((size * posts) as f64 / start.elapsed().as_secs_f64());
        }
        let work = format!("durable posts of {} rows, NDJSON", count(size as f64));
        rows.push(rates.row(work, "rows", "engine, one transaction"));
    }

    progress("posts of one row", &daemon);
    let mut clients = Vec::new();
    for _ in 0..WRITERS {
        clients.push(daemon.client().await?);
    }
    let mut rates = Rates::default();
    let posts = WRITERS * sizes.posts_a_client;
    let mut syncs = Vec::new();
    for _ in 0..sizes.rounds {
        syncs.extend(sync_times(folder)?);
        let (sent, stored) = arrivals.next(posts);
        let bodies: Vec<Vec<String>> = sent.chunks(sizes.posts_a_client).map(<[String]>::to_vec).collect();
        let singles: Vec<Vec<Reading>> = stored.chunks(sizes.posts_a_client).map(<[Reading]>::to_vec).collect();
        let start = Instant::now();
        clients = http::post_each(clients, READINGS, bodies).await?;
        rates.ours.push(posts as f64 / start.elapsed().as_secs_f64());
        database.settle("logs").await?;
        let start = Instant::now();
        bare.singles(singles).await?;
        rates.reference.push(posts as f64 / start.elapsed().as_secs_f64());
    }
    let work =
        format!("durable posts of one row, {WRITERS} clients, where a sync of 4 KiB takes {:.2} ms", median(&syncs));
    rows.push(rates.row(work, "posts", "engine, a transaction each"));

    let stored = "SELECT count(*) FROM odometer_readings";
    let (ours, theirs) = (database.numbers("logs", stored).await?, database.numbers("bare", stored).await?);
    if ours != theirs {
        return Err(format!("the daemon stored {ours:?} rows, the bare engine {theirs:?}").into());
    }
    Ok(rows)
}

/// Follows `next` until so many items have gone by; the path of the page of 50 there.
async fn deep(client: &mut Client, items: usize) -> Result<String> {
    const STRIDE: usize = 500;
    let mut path = PAGE.replace("limit=50", &format!("limit={STRIDE}"));
    for _ in 0..items.div_ceil(STRIDE) {
        let page: Value = serde_json::from_slice(&client.get(&path).await?)?;
        path = page["next"].as_str().ok_or("the list ends too early")?.to_owned();
    }
    Ok(path.replace(&format!("limit={STRIDE}"), "limit=50"))
}

async fn clients(of: impl AsyncFn() -> Result<Client>) -> Result<Vec<Client>> {
    let mut clients = Vec::new();
    for _ in 0..READERS {
        clients.push(of().await?);
    }
    Ok(clients)
}

fn load_row(work: String, ours: &[Load], reference: &[Load]) -> Row {
    let each = |loads: &[Load], what: fn(&Load) -> f64| loads.iter().map(what).collect::<Vec<f64>>();
    let shown = |loads: &[Load]| {
        let rate = median(&each(loads, |load| load.per_second));
        let (p50, p99) = (median(&each(loads, |load| load.p50_ms)), median(&each(loads, |load| load.p99_ms)));
        format!("{}/s, p50 {p50:.1} ms, p99 {p99:.1} ms", count(rate))
    };
    let rates = |loads: &[Load]| each(loads, |load| load.per_second);
    Row {
        work,
        ours: shown(ours),
        reference: format!("bare axum, same bytes from memory: {}", shown(reference)),
        ratio: ratio(&rates(ours), &rates(reference)),
    }
}

/// Serves a database of so many cars, copied from some whose every log was sent.
pub async fn listed(database: &Database, name: &'static str, cars: usize, to: usize) -> Result<Daemon> {
    database.create(name).await?;
    let daemon = database.serve(name, &[]).await?;
    let mut client = daemon.client().await?;
    fleet::register(&mut client, cars).await?;
    fleet::post_logs(&mut client, cars).await?;
    database.settle(name).await?;
    tokio::time::sleep(RAISED).await;
    drop((client, daemon));
    database.multiply(name, cars, to).await?;
    database.serve(name, &[]).await
}

async fn reading(database: &Database, folder: &Path, sizes: &Sizes) -> Result<Vec<Row>> {
    let daemon = listed(database, "list", sizes.cars, sizes.listed_cars).await?;
    let mut client = daemon.client().await?;
    let paths = [PAGE.to_owned(), deep(&mut client, sizes.listed_cars / 2).await?];
    let mut pages = Vec::new();
    for path in &paths {
        pages.push(client.get(path).await?);
    }
    let memory = Memory::start(folder, &pages).await?;
    let mut readers = clients(async || daemon.client().await).await?;
    let mut referees = clients(async || Client::connect(memory.address, "").await).await?;
    let mut rows = Vec::new();
    for (place, (path, page)) in paths.iter().zip(&pages).enumerate() {
        let name = ["first page", "page in the middle"][place];
        progress(name, &daemon);
        let (mut ours, mut reference) = (Vec::new(), Vec::new());
        for _ in 0..sizes.rounds {
            let (load, back) = http::read(readers, path, page.len(), sizes.read_time).await?;
            readers = back;
            ours.push(load);
            let (load, back) = http::read(referees, &format!("/{place}"), page.len(), sizes.read_time).await?;
            referees = back;
            reference.push(load);
        }
        let (cars, kib) = (count(sizes.listed_cars as f64), page.len() / 1024);
        rows.push(load_row(format!("{name} of 50 from {cars} cars, {kib} KiB, {READERS} clients"), &ours, &reference));
    }
    Ok(rows)
}

/// What a new reading costs, by how long a car's history is.
pub async fn recasting(database: &Database, sizes: &Sizes) -> Result<Vec<Row>> {
    database.create("years").await?;
    let daemon = database.serve("years", &[]).await?;
    let mut client = daemon.client().await?;
    fleet::add_depot(&mut client).await?;
    let mut young = Veterans::add(&mut client, 1, sizes.veterans).await?;
    let mut rows = Vec::new();
    for years in [3, 5] {
        let mut old = Veterans::add(&mut client, years, sizes.veterans).await?;
        database.settle("years").await?;
        progress(&format!("recasts of cars with {years} years of logs"), &daemon);
        let (mut ours, mut reference) = (Vec::new(), Vec::new());
        for _ in 0..sizes.rounds {
            for (cars, times) in [(&mut old, &mut ours), (&mut young, &mut reference)] {
                let before = daemon.processor_seconds()?;
                cars.post_news(&mut client).await?;
                database.settle("years").await?;
                times.push((daemon.processor_seconds()? - before) / sizes.veterans as f64);
            }
        }
        rows.push(Row {
            work: format!("a new reading of a car with {years} years of daily logs, until its dates are made anew"),
            ours: time(median(&ours)),
            reference: format!(
                "a car with one year of logs: {}, both processor time of the daemon",
                time(median(&reference))
            ),
            ratio: ratio(&ours, &reference),
        });
    }
    Ok(rows)
}
