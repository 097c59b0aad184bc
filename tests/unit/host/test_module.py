# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The module drive_info itself, in device trees that umockdev serves; and how every module fails."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml

from ansible_collections.evenkeel.split_actuator.plugins.doc_fragments.bays import ModuleDocFragment
from ansible_collections.evenkeel.split_actuator.plugins.module_utils import _face
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._core.errors import (
    CommandError,
    HostError,
    InputError,
    MissingLibraryError,
    Refusal,
)
from ansible_collections.evenkeel.split_actuator.plugins.module_utils._face_drives import DRIVE_ARGUMENTS
from tests.checkout import REPO
from tests.unit.host.trees import Adapter, Lun, Tree, split_drive

PLUGINS = "ansible_collections.evenkeel.split_actuator.plugins"
RUN = f"""
import sys
sys.path[:0] = [{str(REPO)!r}, {str(REPO / ".work")!r}]
from ansible.module_utils.testing import patch_module_args
from {PLUGINS}.modules import drive_info
import json
with patch_module_args(json.loads(sys.argv[1])):
    drive_info.main()
"""


def module(folder: Path, tree: Tree, prepare: str = "", **options: Any) -> dict[str, Any]:
    (folder / "tree.umockdev").write_text(tree.text)
    done = subprocess.run(
        ["umockdev-run", "--device", str(folder / "tree.umockdev"), "--", sys.executable, "-c", prepare + RUN,
         json.dumps(options)],
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.stdout, done.stderr
    result: dict[str, Any] = json.loads(done.stdout)
    assert done.returncode == (1 if result.get("failed") else 0)
    return result


@pytest.fixture
def tree() -> Tree:
    made = Tree()
    adapter = Adapter(made)
    ordinary = [Lun(target=9, serial=b"PLN9", model=b"PLAIN1", wwn="5000ace2f0000009")]
    for luns in (split_drive(1), split_drive(0), split_drive(2)[:1], ordinary):
        end_device = adapter.device(luns[0].target)
        for one in luns:
            adapter.lun(one, end_device)
    return made


def test_all_drives_and_findings(tmp_path: Path, tree: Tree) -> None:
    told = module(tmp_path, tree)
    assert told["changed"] is False
    assert [drive["serial"] for drive in told["drives"]] == ["ACS0000", "ACS0001", "ACS0002", "PLN9"]
    assert [(one["code"], one["serial"], one["index"]) for one in told["findings"]] == [("half_visible", "ACS0002", 1)]
    assert module(tmp_path, tree) == told


@pytest.mark.parametrize(
    ("options", "serials"),
    [
        ({"ordinary": False}, ["ACS0000", "ACS0001", "ACS0002"]),
        ({"model": "PLAIN*"}, ["PLN9"]),
        ({"vendor": "NOBODY"}, []),
        ({"model": "ACTW-D9", "vendor": "ACT*"}, ["ACS0000", "ACS0001", "ACS0002"]),
    ],
)
def test_a_choice_of_drives_leaves_out_the_others_findings(
    tmp_path: Path, tree: Tree, options: dict[str, Any], serials: list[str]
) -> None:
    told = module(tmp_path, tree, **options)
    assert [drive["serial"] for drive in told["drives"]] == serials
    assert {one["serial"] for one in told["findings"]} == {"ACS0002"} & set(serials)


def test_a_nameless_ordinary_drive_is_no_matter_where_only_split_drives_are_wanted(tmp_path: Path) -> None:
    made = Tree()
    adapter = Adapter(made)
    for luns in (split_drive(0), [Lun(target=9, serial=b"", model=b"PLAIN1", wwn="")]):
        end_device = adapter.device(luns[0].target)
        for one in luns:
            adapter.lun(one, end_device)
    assert [one["code"] for one in module(tmp_path, made)["findings"]] == ["serial_missing", "wwn_missing"]
    assert module(tmp_path, made, ordinary=False)["findings"] == []


@pytest.mark.parametrize(
    ("options", "subject"),
    [
        ({"bay_map": [{"pattern": "a{x", "bay": "bay01"}]}, "bay_map[0].pattern"),
        ({"bay_serials": {"seven": "ACS0000"}}, "bay_serials"),
        ({"enclosures": {"west": "west"}}, "enclosures"),
        ({"unit_counts": {"ACTW-D9": "two"}}, "unit_counts.ACTW-D9"),
        ({"unit_counts": {"ACTW-D9": 0}}, "unit_counts.ACTW-D9"),
    ],
)
def test_wrong_options_are_named(tmp_path: Path, tree: Tree, options: dict[str, Any], subject: str) -> None:
    told = module(tmp_path, tree, **options)
    assert told["failed"] is True
    assert told["subject"] == subject
    assert told["msg"].startswith(subject + ": ")
    assert "Traceback" not in told["msg"]


def test_without_pyudev_the_package_is_named(tmp_path: Path, tree: Tree) -> None:
    told = module(tmp_path, tree, "import sys; sys.modules['pyudev'] = None\n")
    assert "Failed to import the required Python library (pyudev)" in told["msg"]
    assert told["remedy"].startswith("Install the package python3-pyudev")


def test_the_shared_options_are_documented_as_they_are_specified() -> None:
    documented = yaml.safe_load(ModuleDocFragment.DOCUMENTATION)["options"]

    def agree(told: dict[str, Any], spec: dict[str, Any]) -> None:
        assert set(told) == set(spec)
        for name, option in spec.items():
            for key in ("type", "elements", "default", "choices", "required"):
                assert told[name].get(key) == option.get(key), (name, key)
            agree(told[name].get("suboptions", {}), option.get("options", {}))

    agree(documented, DRIVE_ARGUMENTS)


class Ended(Exception):
    pass


class Module:
    """Stands in for AnsibleModule where only its way of ending matters."""

    def __init__(self) -> None:
        self.told: dict[str, Any] = {}

    def exit_json(self, **told: Any) -> None:
        self.told = told
        raise Ended

    def fail_json(self, **told: Any) -> None:
        self.told = {"failed": True, **told}
        raise Ended


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (InputError("is wrong", "key", "Do it."), {"msg": "key: is wrong. Do it.", "subject": "key"}),
        (HostError("no disk"), {"msg": "no disk", "subject": "", "remedy": ""}),
        (Refusal("Not done.", ["a", "b"], "Look."), {"msg": "Not done.\n- a\n- b\nLook.", "reasons": ["a", "b"]}),
        (CommandError(["zpool", "x"], 255, "bad\n"), {"cmd": ["zpool", "x"], "rc": 255, "stderr": "bad\n"}),
        (MissingLibraryError("pyudev", "Install it."), {"remedy": "Install it."}),
    ],
)  # fmt: skip
def test_every_foreseeable_error_ends_a_module_in_words(error: Exception, told: dict[str, Any]) -> None:
    ended = Module()

    def work(_module: Any, _runner: Any) -> dict[str, Any]:
        raise error

    with pytest.raises(Ended):
        _face.run_face(ended, work)  # type: ignore[arg-type]
    assert ended.told["failed"] is True
    assert told.items() <= ended.told.items()


def test_an_error_that_nobody_foresaw_is_not_hidden() -> None:
    def work(_module: Any, _runner: Any) -> dict[str, Any]:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        _face.run_face(Module(), work)  # type: ignore[arg-type]


RUNNER = f"""
import json, sys
sys.path[:0] = [{str(REPO)!r}, {str(REPO / ".work")!r}]
from ansible.module_utils.basic import AnsibleModule
from ansible.module_utils.testing import patch_module_args
from {PLUGINS}.module_utils._face import run_face
def work(module, runner):
    result = runner(json.loads(sys.argv[1]))
    return {{"rc": result.rc, "out": result.stdout, "err": result.stderr}}
with patch_module_args({{}}):
    run_face(AnsibleModule(argument_spec={{}}), work)
"""


def through_a_module(argv: list[str], **environment: str) -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, "-c", RUNNER, json.dumps(argv)],
        capture_output=True, text=True, check=False, timeout=60, env={"HOME": "/root", **environment},
    )  # fmt: skip
    result: dict[str, Any] = json.loads(done.stdout)
    return result


def test_arguments_reach_a_command_as_they_are() -> None:
    told = through_a_module(["printf", "%s|", "$HOME", "~", "a b", "*", "`id`"], PATH="/usr/bin:/bin")
    assert (told["rc"], told["out"]) == (0, "$HOME|~|a b|*|`id`|")


def test_programs_of_the_system_folders_are_found_and_speak_plain_english() -> None:
    told = through_a_module(["env"], PATH="/nowhere", LANG="de_DE.UTF-8", LC_ALL="de_DE.UTF-8")
    assert {"LANG=C", "LC_ALL=C", "LANGUAGE=C"} <= set(told["out"].splitlines())


def test_a_program_that_is_missing_is_told() -> None:
    told = through_a_module(["no-such-program-here"], PATH="/usr/bin:/bin")
    assert told["failed"] is True
    assert "the program no-such-program-here is not installed" in told["msg"]
