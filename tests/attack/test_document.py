"""Cases made from the document, with every scope, one after the other and in chains: no 5xx, and no answer that the document
does not describe."""

import json
import subprocess
import sys

from daemon import Client, environment
from test_openapi import samples  # noqa: F401

SCOPES = ("read", "post", "work", "plan", "admin")
CHECKS = (
    "not_a_server_error",
    "status_code_conformance",
    "content_type_conformance",
    "response_headers_conformance",
    "response_schema_conformance",
)


def attacked(daemon, folder, known, seed, examples, phases):
    """One run of schemathesis; gives how many cases it tried."""
    config, report = folder / "schemathesis.toml", folder / f"{seed}.json"
    config.write_text(f'hooks = "{__file__.replace("test_document", "hooks")}"\n')
    keys = {scope: daemon.new_key(scope) for scope in SCOPES} | {"all": daemon.new_key()}
    command = [
        sys.executable, "-m", "schemathesis.cli", "--no-color", "--config-file", config, "run", f"{daemon.url}/openapi.json",
        "--phases", phases, "--max-examples", examples, "--seed", seed, "--checks", ",".join(CHECKS), "--continue-on-failure",
        "--generation-database", "none", "--suppress-health-check", "all", "--warnings", "off", "--request-timeout", 60,
        "--report", "json", "--report-json-path", report,
        # A stream, whose events it takes for bodies; the client tests read it.
        "--exclude-path", "/v1/events",
    ]
    told = {"ATTACK_KEYS": json.dumps(keys), "ATTACK_KNOWN": json.dumps(known)}
    done = subprocess.run(
        [str(part) for part in command], env=environment() | told, cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout[-20_000:] + done.stderr[-5_000:]
    return json.loads(report.read_text())["test_cases"]["generated"]


def test_no_case_finds_a_way_around_the_document(daemon, samples, hostile, seed, tmp_path):  # noqa: F811
    # Boundary values of every field come to some thousands of cases by themselves.
    phases = "coverage,fuzzing,stateful" if hostile > 5_000 else "fuzzing,stateful"
    operations = sum(len(item) for item in Client(daemon.url).get("/openapi.json").json()["paths"].values())
    tried = 0
    while tried < hostile:
        examples = max(1, min(100, (hostile - tried) // operations))
        tried += attacked(daemon, tmp_path, samples, seed, examples, phases)
        seed, phases = seed + 1, "fuzzing,stateful"
    print(f"{tried} cases")
    # Whatever was refused in the meantime, it is still there and its log tells of nothing unforeseen.
    Client(daemon.url).get("/readyz")
    assert "ERROR" not in daemon.log.read_text() and "panicked" not in daemon.log.read_text()
