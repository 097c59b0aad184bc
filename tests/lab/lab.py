# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A lab machine with everything that can be done to it."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict
from pathlib import Path
from types import TracebackType
from typing import Any

from . import devices, disks
from .bays import Bays, Which
from .errors import LabError, QmpError
from .state import State, slot_from

# What belongs to an installation and so to a checkpoint.
_ROOT = ("root", "image", "release", "hostid", "machine_id")


class Lab(Bays):
    """One machine. As a context manager it is brought up, and taken down with all that is its.

    Two ways to go back: C(snapshot) and C(rollback) are about the drives' content only and need
    a boot; C(checkpoint) and C(restore) are about the whole machine, memory included, and take
    seconds.
    """

    def __enter__(self) -> Lab:
        try:
            self.up()
        except BaseException:
            self.down()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.down()

    # --- the drives' content

    def snapshot(self, tag: str) -> None:
        """Keeps the content of all drives and which bays they are in, running or not.

        In a running guest it is what a power cut would leave: all units at one moment. An earlier
        snapshot of that name is given up.
        """
        with self._held() as state:
            attached = self._attached(state)
            if self._shape_file("snapshot", tag).exists():
                self._forget_snapshot(state, tag)
            if self.running and attached:
                with self.qmp() as qmp:
                    qmp.call("transaction", actions=[
                        {"type": "blockdev-snapshot-internal-sync", "data": {"device": node, "name": tag}}
                        for node in attached
                    ])  # fmt: skip
            for path in self._files_at_rest(state):
                disks.snapshot(path, tag)
            self._keep_shape("snapshot", tag, state)

    def rollback(self, tag: str, boot: bool = True) -> None:
        """Brings the drives back to a snapshot. A running guest loses its power first.

        The root disk is not touched; see fresh_root and restore.
        """
        with self._held() as state:
            kept = [slot_from(one) for one in self._shape("snapshot", tag)["slots"]]
            was_running = self.running
            self.power_cut()
            for slot in kept:
                for unit in slot.drive.units:
                    disks.rollback(self._file(slot, unit.index), tag)
            state.slots[:] = kept
            if boot and was_running:
                self.boot()

    # --- the whole machine

    def checkpoint(self, tag: str) -> None:
        """Keeps the whole running machine: memory, root disk, all attached drives and their bays."""
        with self._held() as state, self.qmp() as qmp:
            self.ssh().close()
            nodes = ["root", *self._attached(state)]
            if self.has_checkpoint(tag):
                qmp.job("snapshot-delete", f"delete-{tag}", tag=tag, devices=nodes)
            qmp.job("snapshot-save", f"save-{tag}", 600.0, tag=tag, vmstate="root", devices=nodes)
            self._keep_shape("checkpoint", tag, state)

    def has_checkpoint(self, tag: str) -> bool:
        """Whether there is something to restore."""
        return self._shape_file("checkpoint", tag).exists()

    def restore(self, tag: str) -> None:
        """Brings the machine back to a checkpoint, running, without a boot, even after a power cut.

        Drives pulled since are back, drives pushed since are out. The guest's clock is set right.
        """
        with self._held() as state:
            kept = self._shape("checkpoint", tag)
            slots = [slot_from(one) for one in kept["slots"]]
            # A new emulator each time: one that goes on would let the guest's time stamp counter
            # jump, for it never turns that back.
            self._forget_process(state)
            state.slots[:] = slots
            for name in _ROOT:
                setattr(state, name, kept[name])
            self._power_on(state)
            nodes = ["root", *self._attached(state)]
            with self._or_off(state), self.qmp() as qmp:
                qmp.job("snapshot-load", f"load-{tag}", 600.0, tag=tag, vmstate="root", devices=nodes)
                self._set_limits(qmp, state)
                qmp.call("cont")
            self.ssh().wait(time.monotonic() + 300, lambda: self.running, lambda: None)
            self.run(f"date -s @{time.time():.3f} >/dev/null")

    # --- looking at bytes from outside

    def content_hash(self, which: Which, unit: int, sync: bool = True) -> str:
        """SHA-256 of a unit's content, read from its file while the guest stands still.

        Equal content gives an equal hash, whatever the file's layout. C(sync) first has the guest
        write out what it holds back; leave that out when a pool is suspended, for it would hang.
        """
        return self.content_hashes([(which, unit)], sync)[0]

    def content_hashes(self, which: list[tuple[Which, int]] | None = None, sync: bool = True) -> list[str]:
        """The hashes of several units, or of all drives known to the lab, in the order of their keys."""
        with self._held() as state:
            if which is None:
                wanted = [(slot, unit.index) for slot in state.slots for unit in slot.drive.units]
            else:
                wanted = [(self.slot(one), unit) for one, unit in which]
            if sync and self.running:
                self.run("sync", timeout=300)
            with self._paused():
                return [disks.digest(self._file(slot, unit), self.folder) for slot, unit in wanted]

    # --- inside

    @contextmanager
    def _paused(self) -> Iterator[None]:
        """The guest stands still, and the emulator has written out what it holds of the disks."""
        if not self.running:
            yield
            return
        with self.qmp() as qmp:
            qmp.call("stop")
            try:
                yield
            finally:
                qmp.call("cont")

    def _attached(self, state: State) -> list[str]:
        """The nodes of all attached units."""
        return [devices.disk_node(slot.key, unit.index) for slot in state.slots for unit in slot.units()]

    def _files_at_rest(self, state: State) -> list[Path]:
        """The files of units that the emulator does not have open just now."""
        attached = set(self._attached(state)) if self.running else set()
        return [
            self._file(slot, unit.index)
            for slot in state.slots
            for unit in slot.drive.units
            if devices.disk_node(slot.key, unit.index) not in attached
        ]

    def _forget_snapshot(self, state: State, tag: str) -> None:
        if self.running:
            with self.qmp() as qmp:
                for node in self._attached(state):
                    with suppress(QmpError):
                        qmp.call("blockdev-snapshot-delete-internal-sync", device=node, name=tag)
        for path in self._files_at_rest(state):
            with suppress(LabError):
                disks.forget(path, tag)
        self._shape_file("snapshot", tag).unlink()

    def _keep_shape(self, kind: str, tag: str, state: State) -> None:
        """Remembers which drives are where and which root is used, beside what the disks' files keep."""
        kept = {"slots": [asdict(slot) for slot in state.slots], **{name: getattr(state, name) for name in _ROOT}}
        self._shape_file(kind, tag).write_text(json.dumps(kept))

    def _shape(self, kind: str, tag: str) -> dict[str, Any]:
        try:
            kept: dict[str, Any] = json.loads(self._shape_file(kind, tag).read_text())
        except FileNotFoundError:
            raise LabError(f"there is no {kind} {tag!r}") from None
        return kept

    def _shape_file(self, kind: str, tag: str) -> Path:
        return self.folder / f"{kind}-{tag}.json"
