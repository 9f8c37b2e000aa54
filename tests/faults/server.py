"""A Postgres server of a test's own, which it may stop, and a small disk that it may fill."""

import itertools
import os
import shutil
import socket
import subprocess
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest


def programs():
    """Where the server's programs are; Debian keeps them out of the PATH. tests/run says which."""
    named = os.environ.get("VENTMILE_TEST_POSTGRES_BIN")
    found = [Path(named)] if named else sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    assert found, "VENTMILE_TEST_POSTGRES_BIN names the folder of initdb and pg_ctl"
    return found[-1]


def free_port():
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


class Named:
    """A database that is there already."""

    def __init__(self, engine, address, file=None):
        self.engine, self.address, self.file = engine, address, file


class Postgres:
    """Started in a folder of its own; Postgres refuses to run as root."""

    def __init__(self):
        self.folder = Path(tempfile.mkdtemp(prefix="ventmile-faults."))
        self.as_postgres = ("runuser", "-u", "postgres", "--") if os.geteuid() == 0 else ()
        self.own(self.folder)
        self.run("initdb", "--username=postgres", "--auth=trust", "--encoding=UTF8", "--locale=C.UTF-8", "--no-sync")
        self.port = free_port()
        self.databases = itertools.count(1)
        self.address = f"postgres://postgres@127.0.0.1:{self.port}"

    def own(self, folder):
        if self.as_postgres:
            shutil.chown(folder, "postgres")

    def run(self, program, *arguments):
        command = [*self.as_postgres, programs() / program, f"--pgdata={self.folder}/data", *arguments]
        subprocess.run(command, cwd=self.folder, check=True, stdout=subprocess.DEVNULL, timeout=120)

    def start(self):
        options = f"-h 127.0.0.1 -p {self.port} -k {self.folder}"
        self.run("pg_ctl", f"--log={self.folder}/log", "--wait", "--silent", f"--options={options}", "start")

    def stop(self, mode):
        self.run("pg_ctl", f"--mode={mode}", "--wait", "--silent", "stop")

    def is_running(self):
        return (self.folder / "data" / "postmaster.pid").exists()

    def sql(self, *statements):
        for statement in statements:
            command = ["psql", "--no-psqlrc", "--quiet", f"{self.address}/postgres", "--command", statement]
            subprocess.run(command, check=True, capture_output=True)

    def database(self, options=""):
        name = f"faults{next(self.databases)}"
        self.sql(f"CREATE DATABASE {name} {options}")
        return Named("postgres", f"{self.address}/{name}")

    def end(self):
        if self.is_running():
            self.stop("immediate")
        shutil.rmtree(self.folder)


@contextmanager
def small_disk(size):
    """A folder that holds so much and no more."""
    folder = Path(tempfile.mkdtemp(prefix="ventmile-disk."))
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size},mode=755", "tmpfs", folder], check=False)
    if mounted.returncode != 0:
        folder.rmdir()
        pytest.skip("a small disk can be mounted by root only")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", folder], check=True)
        folder.rmdir()


def fill(folder):
    """Takes all the room there is, and gives the file that took it."""
    ballast = folder / "ballast"
    with ballast.open("wb", buffering=0) as file:
        for block in (1 << 20, 1 << 12):
            try:
                while True:
                    file.write(b"\0" * block)
            except OSError:
                continue
    return ballast
