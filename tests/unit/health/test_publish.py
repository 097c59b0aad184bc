# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Files that others read, the web server, the packed program: in real files, sockets and processes."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import ssl
import stat
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
import yaml
from prometheus_client.parser import text_string_to_metric_families as parse

from ansible_collections.evenkeel.split_actuator.plugins.module_utils import _face_service
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import (
    CoreError,
    DecodeError,
    HostError,
    InputError,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health import config, pack, publish
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.config import Config
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.memory import Memory
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.notify import notify
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.snapshot import Snapshot, to_text
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.health.upkeep import Started
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.host.files import write_atomically
from tests.unit.health.build import snapshot

REPO = Path(__file__).parents[3]


def now_snapshot() -> Snapshot:
    """A healthy server at this host's present."""
    present = publish.now()
    made = snapshot(4, 4)
    late = present.at - made.at
    sources = {name: replace(one, at=one.at + late, tried=one.tried + late) for name, one in made.sources.items()}
    units = {
        key: replace(one, smart_at=one.smart_at + late, smart_tried=one.smart_tried + late)
        for key, one in made.units.items()
    }
    return replace(made, boot=present.boot, at=present.at, wall=present.wall, sources=sources, units=units)


@pytest.fixture
def settings(tmp_path: Path) -> Config:
    agent = tmp_path / "agent"
    agent.mkdir()
    return Config(snapshot=str(tmp_path / "snapshot.json"), text_directory=str(agent), state_directory=str(tmp_path))


def test_the_text_file_is_replaced_whole(settings: Config) -> None:
    publish.publish(now_snapshot(), settings, "0.1.0")
    folder = Path(settings.text_directory)
    assert [path.name for path in folder.iterdir()] == [config.TEXT_FILE]
    assert stat.S_IMODE(os.stat(settings.text_file).st_mode) == 0o644
    assert stat.S_IMODE(os.stat(settings.snapshot).st_mode) == 0o640
    text = Path(settings.text_file).read_text()
    families = {family.name: family for family in parse(text)}
    assert families["split_actuator_collector_up"].samples[0].value == 1
    assert text.endswith("\n")
    assert all(sample.timestamp is None for family in families.values() for sample in family.samples)
    first = os.stat(settings.text_file).st_ino
    publish.publish(now_snapshot(), settings, "0.1.0")
    assert os.stat(settings.text_file).st_ino != first, "replaced, not rewritten"


def test_a_reader_never_sees_a_part(tmp_path: Path) -> None:
    path = tmp_path / "file"
    pid = os.fork()
    if pid == 0:
        try:
            for number in range(400):
                write_atomically(str(path), str(number % 10) * 100_000)
        finally:
            os._exit(0)
    seen = 0
    while os.waitpid(pid, os.WNOHANG)[0] == 0:
        if path.exists():
            text = path.read_text()
            assert len(text) == 100_000
            assert len(set(text)) == 1
            seen += 1
    assert seen


def limited(size: int) -> None:
    import resource

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


def test_when_nothing_can_be_written_the_old_text_is_taken_back(settings: Config) -> None:
    publish.publish(now_snapshot(), settings, "0.1.0")
    assert os.path.exists(settings.text_file)
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            # A file that may not grow fails as a full disk does: in the middle of writing.
            limited(1000)
            try:
                publish.publish(now_snapshot(), settings, "0.1.0")
            except HostError:
                code = 0
        finally:
            os._exit(code)
    assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 0
    assert list(Path(settings.text_directory).iterdir()) == []


def test_taking_back_what_is_not_there_is_no_failure(settings: Config) -> None:
    publish.withdraw(settings)
    publish.withdraw(replace(settings, text_directory=""))


def test_a_damaged_or_missing_snapshot_reads_as_none(settings: Config) -> None:
    reader = publish.SnapshotFile(settings.snapshot)
    assert reader.read() is None
    made = now_snapshot()
    write_atomically(settings.snapshot, to_text(made))
    assert reader.read() == made
    assert reader.read() is reader.read(), "decoded once"
    write_atomically(settings.snapshot, to_text(made)[:-5])
    assert reader.read() is None
    Path(settings.snapshot).write_bytes(b"\xff\xfe")
    assert reader.read() is None
    os.unlink(settings.snapshot)
    assert reader.read() is None


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


@contextmanager
def program(*arguments: str, env: dict[str, str] | None = None) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, *arguments], stderr=subprocess.PIPE, text=True, env={**os.environ, **(env or {})}
    ) as made:
        try:
            yield made
        finally:
            made.terminate()
            made.wait(10)


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("program") / "health.pyz"
    pack.install(_face_service, str(path), check_mode=False)
    return path


def fetch(url: str, context: ssl.SSLContext | None = None) -> str:
    deadline = time.monotonic() + 30
    while True:
        try:
            with urllib.request.urlopen(url, timeout=5, context=context) as answer:
                return str(answer.read().decode())
        except OSError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.1)


def test_the_packed_program_serves_what_the_collector_wrote(packed: Path, settings: Config, tmp_path: Path) -> None:
    port = free_port()
    path = tmp_path / "health.json"
    path.write_text(json.dumps({"snapshot": settings.snapshot, "port": port}))
    url = "http://127.0.0.1:{0}/metrics".format(port)
    with program(str(packed), "--config", str(path), "serve"):
        assert "split_actuator_collector_up 0.0" in fetch(url)
        write_atomically(settings.snapshot, to_text(now_snapshot()))
        assert "split_actuator_collector_up 1.0" in fetch(url)
        write_atomically(settings.snapshot, to_text(replace(now_snapshot(), boot="another")))
        assert "split_actuator_collector_up 0.0" in fetch(url)


def healthy_signs(text: str) -> list[str]:
    """Lines that say that something is well now."""
    return [
        line
        for line in text.splitlines()
        if line.endswith(" 1.0")
        and re.match(
            r"split_actuator_(collector_up|source_up|drive_present|member_serving|unit_smart_up)|.*=\"(ok|online)\"",
            line,
        )
    ]


def until(true: Callable[[], bool], seconds: float = 60) -> None:
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.2)


def test_killed_stopped_and_ended_collectors_never_leave_a_wrong_healthy(
    packed: Path, settings: Config, tmp_path: Path
) -> None:
    """Real processes on this host, whatever disks it has; the pools' tools need not be there."""
    port = free_port()
    path = tmp_path / "health.json"
    told = {
        "snapshot": settings.snapshot,
        "text_directory": settings.text_directory,
        "state_directory": str(tmp_path),
        "inventory": str(tmp_path / "inventory.json"),
        "port": port,
        "interval_seconds": 1,
        "smartctl": "/bin/false",
    }
    path.write_text(json.dumps(told))
    url = "http://127.0.0.1:{0}/metrics".format(port)

    def is_up() -> bool:
        return "split_actuator_collector_up 1.0" in fetch(url)

    with program(str(packed), "--config", str(path), "serve"):
        with program(str(packed), "--config", str(path), "collect") as collector:
            until(lambda: is_up() and os.path.exists(settings.text_file))
            collector.send_signal(signal.SIGSTOP)
            until(lambda: not is_up())
            assert healthy_signs(fetch(url)) == []
            collector.send_signal(signal.SIGCONT)
            until(is_up)
            collector.kill()
            collector.wait(10)
            until(lambda: not is_up())
            assert healthy_signs(fetch(url)) == []
            # What the service manager runs when a collector has ended, however it did (ExecStopPost=).
            assert os.path.exists(settings.text_file)
            subprocess.run([sys.executable, str(packed), "--config", str(path), "withdraw"], check=True)
            assert not os.path.exists(settings.text_file)
        with program(str(packed), "--config", str(path), "collect") as collector:
            until(lambda: is_up() and os.path.exists(settings.text_file))
            collector.terminate()
            assert collector.wait(20) == 0
            assert not os.path.exists(settings.text_file), "one that is asked to end takes it back itself"


def test_tls_by_the_metrics_librarys_own_means(packed: Path, settings: Config, tmp_path: Path) -> None:
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost"]
        + ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(certificate)],
        check=True,
        capture_output=True,
    )
    port = free_port()
    path = tmp_path / "health.json"
    told = {"snapshot": settings.snapshot, "port": port, "certificate": str(certificate), "key": str(key)}
    path.write_text(json.dumps(told))
    with program(str(packed), "--config", str(path), "serve"):
        url = "https://127.0.0.1:{0}/metrics".format(port)
        assert "split_actuator_collector_up" in fetch(url, ssl.create_default_context(cafile=str(certificate)))


def test_a_library_without_tls_is_told(settings: Config, monkeypatch: pytest.MonkeyPatch) -> None:
    import prometheus_client

    # The signature of 0.16, as Debian 12 has it.
    def start_http_server(port: int, addr: str = "", registry: object = None) -> None:
        raise AssertionError((port, addr, registry))

    monkeypatch.setattr(prometheus_client, "start_http_server", start_http_server)
    with pytest.raises(HostError, match=r"cannot serve TLS.*reverse proxy"):
        publish.serve(replace(settings, certificate="c", key="k"), "0.1.0")


def test_a_port_in_use_is_told(settings: Config) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(HostError, match="cannot be served"):
            publish.serve(replace(settings, port=taken.getsockname()[1]), "0.1.0")


def test_the_same_library_gives_the_same_bytes(packed: Path) -> None:
    before = packed.read_bytes()
    outcome = pack.install(_face_service, str(packed), check_mode=False)
    assert (outcome.changed, packed.read_bytes()) == (False, before)
    packed.chmod(0o700)
    assert pack.install(_face_service, str(packed), check_mode=True).changed
    assert stat.S_IMODE(packed.stat().st_mode) == 0o700
    assert pack.install(_face_service, str(packed), check_mode=False).changed
    assert stat.S_IMODE(packed.stat().st_mode) == 0o755


def test_check_mode_writes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "health.pyz"
    outcome = pack.install(_face_service, str(path), check_mode=True)
    assert outcome.changed
    assert outcome.before == ""
    assert "_core/health/collect.py" in outcome.after
    assert not path.exists()
    with pytest.raises(HostError, match="cannot be written"):
        pack.install(_face_service, str(tmp_path / "nowhere" / "health.pyz"), check_mode=False)


def test_the_program_runs_without_this_checkout(packed: Path, tmp_path: Path) -> None:
    path = tmp_path / "health.json"
    path.write_text(json.dumps({"snapshot": str(tmp_path / "none"), "state_directory": str(tmp_path)}))
    # -S and -I: no site packages, no environment; "withdraw" and "scrub" need no library but Python's own.
    for command, told in (("withdraw", ""), ("scrub", "The collector's readings are missing or outdated.\n")):
        done = subprocess.run(
            [sys.executable, "-ISB", str(packed), "--config", str(path), command],
            capture_output=True,
            text=True,
            cwd="/",
            check=False,
        )
        assert (done.returncode, done.stdout, done.stderr) == (0, "", told)


def test_every_part_that_a_child_imports_is_packed(packed: Path) -> None:
    code = (
        "import sys; sys.path.insert(0, {0!r})\n"
        "from evenkeel_split_actuator._core.health import pools\n"
        "from evenkeel_split_actuator._core.host import bays, discover\n"
        "from evenkeel_split_actuator._core.zfs import access\n"
        "assert pools.__file__.startswith({0!r}), pools.__file__\n"
        "assert not any('ansible' in name for name in sys.modules)\n"
    ).format(str(packed))
    done = subprocess.run([sys.executable, "-IB", "-c", code], capture_output=True, text=True, cwd="/", check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_program_tells_the_collections_version() -> None:
    assert yaml.safe_load((REPO / "galaxy.yml").read_text())["version"] == _face_service.VERSION


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("{", DecodeError),
        ('{"interval_seconds": 0}', InputError),
        ('{"interval_seconds": "x"}', InputError),
        ('{"colour": 1}', InputError),
        ('{"port": 70000}', InputError),
        ('{"certificate": "c"}', InputError),
        ('{"upkeep": {"scrub_days": "x"}}', InputError),
    ],
)
def test_a_wrong_configuration_is_told(tmp_path: Path, text: str, kind: type[CoreError]) -> None:
    path = tmp_path / "health.json"
    path.write_text(text)
    with pytest.raises(kind):
        config.read(str(path))
    assert _face_service.main(["--config", str(path), "withdraw"]) == 1
    with pytest.raises(HostError):
        config.read(str(tmp_path / "none"))


def test_memory_survives_and_damage_reads_as_empty(tmp_path: Path) -> None:
    memory = Memory(str(tmp_path))
    started = {"key": Started("boot", 1.0, 2.0, "long")}
    memory.keep_scrubs({"77": 1000})
    memory.keep_tests(started)
    again = Memory(str(tmp_path))
    assert (again.scrubs(), again.tests()) == ({"77": 1000}, started)
    (tmp_path / "scrubs.json").write_text('{"77": "x", "78": true, "79": -1, "80": 5}')
    (tmp_path / "tests.json").write_text('{"key": {"boot": 1}}')
    assert (again.scrubs(), again.tests()) == ({"80": 5}, {})
    (tmp_path / "scrubs.json").write_text("{")
    assert again.scrubs() == {}
    Memory(str(tmp_path / "nowhere")).keep_scrubs({"77": 1})


def test_the_service_manager_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    assert not notify("READY=1")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "socket"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "socket"))
        assert notify("READY=1")
        assert manager.recv(100) == b"READY=1"
