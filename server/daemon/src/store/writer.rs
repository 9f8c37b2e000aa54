//! The log writer: one task that stores whatever has come in since its last commit in one transaction, so that
//! many small posts share a commit. A post is answered only after the commit that holds its rows.

use std::sync::Arc;

use tokio::sync::{Notify, mpsc, oneshot};

use super::logs::Batch;
use super::{Actor, Result, SentRow, Store, StoreError, Tally};
use crate::clock::Clock;

/// Rows that wait for the writer, at most so many posts.
const QUEUE: usize = 1024;

/// A transaction takes no more posts once it holds this many rows.
const BATCH_ROWS: usize = 20_000;

/// How often a transaction is tried again that another one on Postgres made fail.
const RETRIES: usize = 5;

struct Job {
    actor: Actor,
    rows: Vec<SentRow>,
    reply: oneshot::Sender<Result<Tally>>,
}

/// Hands rows to the writer task. When the last handle is dropped the task stores what it has and ends.
#[derive(Clone, Debug)]
pub struct Writer {
    queue: mpsc::Sender<Job>,
}

impl Writer {
    /// Starts the writer task; `news` is rung after each commit that changed something.
    #[must_use]
    pub fn start(store: Store, clock: Arc<dyn Clock>, news: Arc<Notify>) -> Self {
        let (queue, jobs) = mpsc::channel(QUEUE);
        tokio::spawn(run(store, clock, news, jobs));
        Self { queue }
    }

    /// Stores rows; answers once they are durable.
    ///
    /// # Errors
    /// [`StoreError::Database`] when the transaction failed: none of the rows is stored then.
    pub async fn store(&self, actor: Actor, rows: Vec<SentRow>) -> Result<Tally> {
        if rows.is_empty() {
            return Ok(Tally::default());
        }
        let (reply, answer) = oneshot::channel();
        self.queue.send(Job { actor, rows, reply }).await.map_err(|_| StoreError::Stopped)?;
        answer.await.map_err(|_| StoreError::Stopped)?
    }
}

async fn run(store: Store, clock: Arc<dyn Clock>, news: Arc<Notify>, mut jobs: mpsc::Receiver<Job>) {
    while let Some(first) = jobs.recv().await {
        let mut batch = vec![first];
        let mut rows: usize = batch.iter().map(|job| job.rows.len()).sum();
        while rows < BATCH_ROWS {
            let Ok(job) = jobs.try_recv() else { break };
            rows += job.rows.len();
            batch.push(job);
        }
        let mut stored = commit(&store, &*clock, &batch).await;
        for _ in 0..RETRIES {
            if !stored.as_ref().is_err_and(StoreError::is_collision) {
                break;
            }
            stored = commit(&store, &*clock, &batch).await;
        }
        answer(batch, stored, &news);
    }
}

async fn commit(store: &Store, clock: &dyn Clock, jobs: &[Job]) -> Result<Vec<Tally>> {
    let requests = jobs.iter().map(|job| (&job.actor, job.rows.as_slice())).collect();
    let mut tx = store.begin().await?;
    let tallies = tx.store_rows(&Batch { requests }, clock.now()).await?;
    tx.commit().await?;
    Ok(tallies)
}

fn answer(jobs: Vec<Job>, stored: Result<Vec<Tally>>, news: &Notify) {
    match stored {
        Ok(tallies) => {
            if tallies.iter().any(|tally| tally.stored + tally.replaced > 0) {
                news.notify_one();
            }
            for (job, tally) in jobs.into_iter().zip(tallies) {
                // The caller may have gone; its rows are stored all the same.
                let _ = job.reply.send(Ok(tally));
            }
        }
        Err(error) => {
            let error = Arc::new(error);
            for job in jobs {
                let _ = job.reply.send(Err(StoreError::Write(Arc::clone(&error))));
            }
        }
    }
}
