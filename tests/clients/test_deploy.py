"""What is in deploy/: read by those it is written for, as far as they are on this machine. tests/deploy/run does the rest."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest
import yaml

from daemon import car, depot, run, wait_until

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
RUNBOOK = (DEPLOY / "RUNBOOK.md").read_text()


def test_the_unit_is_as_closed_as_the_runbook_says():
    tool = shutil.which("systemd-analyze")
    unit = (DEPLOY / "ventmile.service").read_text()
    assert re.search(r"^User=ventmile$", unit, re.MULTILINE)
    assert re.search(r"^NoNewPrivileges=yes$", unit, re.MULTILINE)
    said = re.search(r"exposure of \*\*([\d.]+) \(OK\)\*\*", RUNBOOK)[1]
    if not tool:
        return
    command = [tool, "security", "--offline=yes", "--no-pager", str(DEPLOY / "ventmile.service")]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    score = re.search(r"Overall exposure level for ventmile.service: ([\d.]+)", told)[1]
    assert score == said, told


def test_the_settings_file_is_the_programs(tmp_path):
    file = tmp_path / "ventmile.toml"
    file.write_text((DEPLOY / "ventmile.toml").read_text().replace("/var/lib/ventmile", str(tmp_path)))
    checked = run("check", "--config", file)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    assert re.search(r"^keep.backup_dir += \"/var/backups/ventmile\"  \(.*ventmile.toml\)$", checked.stdout, re.MULTILINE), (
        checked.stdout
    )
    file.write_text(file.read_text() + "\n[keep2]\nx = 1\n")
    assert run("check", "--config", file).returncode != 0


def test_unit_package_and_settings_name_the_same_places():
    unit = (DEPLOY / "ventmile.service").read_text()
    settings = (DEPLOY / "ventmile.toml").read_text()
    manifest = (ROOT / "server" / "daemon" / "Cargo.toml").read_text()
    assert "serve --config /etc/ventmile/ventmile.toml" in unit
    assert 'conf-files = ["/etc/ventmile/ventmile.toml"]' in manifest
    assert re.search(r"^ReadWritePaths=-/var/backups/ventmile$", unit, re.MULTILINE)
    assert re.search(r"^StateDirectory=ventmile$", unit, re.MULTILINE)
    port = re.search(r'^listen = "127.0.0.1:(\d+)"$', settings, re.MULTILINE)[1]
    assert f"SocketBindAllow=tcp:{port}\n" in unit
    assert f"proxy_pass http://127.0.0.1:{port};" in (DEPLOY / "nginx.conf").read_text()
    for asset in re.findall(r'^    \["(?:\.\./)+([^"]+)"', manifest, re.MULTILINE):
        assert (ROOT / asset).is_file(), asset


@pytest.mark.parametrize("script", sorted((DEPLOY / "debian").iterdir()), ids=lambda path: path.name)
def test_scripts_are_shell(script):
    checked = subprocess.run(["sh", "-n", str(script)], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stderr
    assert script.read_text().startswith("#!/bin/sh\nset -e\n")
    # Where cargo-deb puts in what starts and stops the unit.
    assert "#DEBHELPER#" in script.read_text()


def test_the_container_runs_as_nobody_special():
    lines = [line.split(None, 1) for line in (DEPLOY / "Containerfile").read_text().splitlines() if re.match("[A-Z]", line)]
    stages = [value for name, value in lines if name == "FROM"]
    assert len(stages) == 2 and all(re.match(r"docker.io/library/[a-z]+:\S+", stage) for stage in stages)
    last = dict(lines[len(lines) - lines[::-1].index(["FROM", stages[-1]]) - 1 :])
    assert last["USER"] == "7420:7420"
    assert last["ENTRYPOINT"] == '["/usr/bin/ventmile"]'
    copied = [value.split()[0] for name, value in lines if name == "COPY" and "--from" not in value]
    assert all((ROOT / name).exists() for name in copied), copied
    wanted = re.search(r'^rust-version = "([\d.]+)"', (ROOT / "Cargo.toml").read_text(), re.MULTILINE)[1]
    assert f"rust:{wanted}-" in stages[0]


def test_compose_waits_for_the_database_and_opens_nothing():
    services = yaml.safe_load((DEPLOY / "compose.yaml").read_text())["services"]
    assert services["ventmile"]["depends_on"]["postgres"]["condition"] == "service_healthy"
    assert "ports" not in services["postgres"]
    assert all(port.startswith("127.0.0.1:") for port in services["ventmile"]["ports"])
    assert "POSTGRES_PASSWORD" not in services["postgres"]["environment"]


def test_the_runbook_knows_every_alarm():
    groups = yaml.safe_load((DEPLOY / "alerts.yaml").read_text())["groups"]
    alarms = [rule["alert"] for group in groups for rule in group["rules"]]
    assert len(alarms) == len(set(alarms)) > 8
    rows = re.findall(r"^\| (Ventmile[^|]+) \| [^|]+ \| [^|]+ \|$", RUNBOOK, re.MULTILINE)
    assert sorted(name for row in rows for name in row.split(", ")) == sorted(alarms)
    tried = (DEPLOY / "alerts-test.yaml").read_text()
    assert all(f'alertname="{alarm}"' in tried for alarm in alarms)


def test_alarms_ask_for_what_is_told(daemon, client):
    """Every metric of the rules is there once something of it has happened."""
    if not client.get("/v1/depots").json()["items"]:
        depot(client)
    client.post("/v1/vehicles", car("ALARM"), 201)
    row = {"unit": "ALARM", "at": "2025-03-01T12:00:00Z", "odometer": 500, "distance_unit": "mi"}
    client.send_ndjson("/v1/odometer-readings", [row])
    client.post("/v1/work-orders", {"unit": "ALARM", "kind": "fan-service", "reason": "noise"}, 201)
    rules = (DEPLOY / "alerts.yaml").read_text()
    asked = set(re.findall(r"\bventmile_\w+", rules))
    assert len(asked) > 6
    labels = set(re.findall(r"\b(?:by|\{|, )\(?(\w+)=", rules)) - {"job"}

    def told():
        text = client.get("/metrics").text
        return asked - set(re.findall(r"^(ventmile_\w+)", text, re.MULTILINE)) or text

    text = wait_until(lambda: found if isinstance(found := told(), str) else False, 20)
    assert isinstance(text, str), told()
    assert all(f'{label}="' in text for label in labels | {"log", "kind", "loop", "le"}), labels
    assert 'verdict="refused"' in text and 'status="needs-action"' in text and 'status="2xx"' in text


def test_commands_of_the_runbook_are_the_programs():
    known = set(re.findall(r"^  ([a-z]+) ", run("--help").stdout, re.MULTILINE))
    named = set(re.findall(r"`ventmile ([a-z]+)", RUNBOOK))
    assert named and named <= known, named - known
