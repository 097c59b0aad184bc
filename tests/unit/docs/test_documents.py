# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""What the documents show is so: examples pass Ansible's own parser, commands and links lead somewhere."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml
from ansible.module_utils.common.arg_spec import ArgumentSpecValidator

from tests.checkout import REPO
from tests.unit.docs.blocks import Block, all_blocks, blocks, commands, module_texts, pages

COLLECTION = "evenkeel.split_actuator"
PREFIX = f"{COLLECTION}."
QUICKSTART = REPO / "docs" / "examples" / "quickstart"
MODULES = sorted(path.stem for path in (REPO / "plugins" / "modules").glob("*.py"))
ROLES = sorted(path.parent.parent.name for path in (REPO / "roles").glob("*/meta/argument_specs.yml"))
PLAYBOOKS = sorted(path.stem for path in (REPO / "playbooks").glob("*.yml"))
TARGETS = re.findall(r"^([a-z-]+):", (REPO / "Makefile").read_text(encoding="utf-8"), re.MULTILINE)
TEMPLATED = re.compile(r"\{\{|\{%")
# Ansible's own options that a page shows are checked by Ansible; what else may be typed at a prompt is listed here.
ELSEWHERE = {
    "apt-get", "ansible-doc", "ansible-galaxy", "cat", "cd", "cp", "curl", "fio", "hostid", "journalctl", "ls", "mkdir",
    "openssl", "python3", "sg_format", "smartctl", "systemctl", "systemd-analyze", "tests/tools/with-venv", "udevadm",
    "zfs", "zpool", "promtool",
}  # fmt: skip


@cache
def documentation() -> dict[str, Any]:
    """The documentation of all modules as Ansible itself reads it, fragments included."""
    done = ansible("ansible-doc", "--json", "--type", "module", *(PREFIX + name for name in MODULES), folder=REPO)
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def documented(module: str) -> dict[str, Any]:
    """The documented options of a module."""
    options: dict[str, Any] = documentation()[PREFIX + module]["doc"].get("options", {})
    return options


def specification(options: dict[str, Any]) -> dict[str, Any]:
    """An argument specification out of documented options; their names for nested ones differ."""
    made = {}
    for name, option in options.items():
        one = {key: option[key] for key in ("type", "elements", "choices", "required", "aliases") if key in option}
        inner = option.get("suboptions") or option.get("options")
        if inner:
            one["options"] = specification(inner)
        made[name] = one
    return made


def without_templates(value: Any) -> Any:
    """Arguments without what only a run can fill in, so that types can be checked for the rest."""
    if isinstance(value, dict):
        return {key: without_templates(one) for key, one in value.items() if not _templated(one)}
    if isinstance(value, list):
        return [without_templates(one) for one in value if not _templated(one)]
    return value


def _templated(value: Any) -> bool:
    return isinstance(value, str) and bool(TEMPLATED.search(value))


def tasks_of(content: Any) -> list[dict[str, Any]]:
    """All tasks in plays, blocks and plain lists of tasks."""
    found: list[dict[str, Any]] = []
    for entry in content if isinstance(content, list) else []:
        if not isinstance(entry, dict):
            continue
        found.append(entry)
        for key in ("tasks", "pre_tasks", "post_tasks", "handlers", "block", "rescue", "always"):
            found += tasks_of(entry.get(key))
    return found


def faults_of(task: dict[str, Any]) -> list[str]:
    """What is wrong with the arguments of a task that calls one of our modules."""
    for key, given in task.items():
        if not str(key).startswith(PREFIX):
            continue
        module = key.removeprefix(PREFIX)
        if module not in MODULES:
            return [f"there is no module {module}"]
        spec = specification(documented(module))
        given = given or {}
        lacking = [name for name, one in spec.items() if one.pop("required", False) and name not in given]
        result = ArgumentSpecValidator(spec).validate(without_templates(given))
        return [f"{module} requires {name}" for name in lacking] + [f"{module}: {one}" for one in result.error_messages]
    return []


EXAMPLES = [(f"module {name}", text) for name, text in module_texts("EXAMPLES")]
BLOCKS = [(str(block), block.text) for block in all_blocks("yaml")]


@pytest.mark.parametrize(("where", "text"), EXAMPLES + BLOCKS, ids=[where for where, _text in EXAMPLES + BLOCKS])
def test_yaml_reads_and_its_tasks_fit_the_modules(where: str, text: str) -> None:
    content = yaml.safe_load(text)
    assert content, f"{where} is empty"
    assert [fault for task in tasks_of(content) for fault in faults_of(task)] == []
    if where.startswith("module "):
        assert any(key.startswith(PREFIX) for task in tasks_of(content) for key in task)


def test_a_wrong_option_in_an_example_is_seen() -> None:
    """The check above can fail: an unknown option, a wrong type, a choice that is none, one missing, no such module."""
    assert faults_of({f"{PREFIX}layout_plan": {"drives": "{{ x }}", "policy": {"kind": "raidz"}, "widht": 12}})
    assert faults_of({f"{PREFIX}layout_plan": {"drives": "{{ x }}", "policy": {"kind": "raidz", "parity": "two"}}})
    assert faults_of({f"{PREFIX}layout_plan": {"drives": "{{ x }}", "policy": {"kind": "raid6"}}})
    assert faults_of({f"{PREFIX}layout_plan": {"policy": {"kind": "raidz"}}})
    assert faults_of({f"{PREFIX}layout_plann": {}})


def as_plays(text: str) -> list[dict[str, Any]]:
    """The plays of an example; tasks get a play of their own; what declares variables is none."""
    content = yaml.safe_load(text)
    if not isinstance(content, list) or not all(isinstance(one, dict) for one in content):
        return []
    if any("hosts" in one or "import_playbook" in one for one in content):
        return content
    looks_like_tasks = all("name" in one or any("." in str(key) for key in one) for one in content)
    return [{"name": "Example", "hosts": "all", "gather_facts": False, "tasks": content}] if looks_like_tasks else []


def ansible(*argv: str, folder: Path) -> subprocess.CompletedProcess[str]:
    environment = {
        **os.environ,
        "ANSIBLE_COLLECTIONS_PATH": str(REPO / ".work"),
        "ANSIBLE_NOCOLOR": "1",
        "ANSIBLE_LOCALHOST_WARNING": "false",
    }
    return subprocess.run(argv, cwd=folder, env=environment, text=True, capture_output=True, check=False, timeout=300)


def test_examples_pass_ansibles_own_parser(tmp_path: Path) -> None:
    """All plays and tasks shown anywhere, in one file: `ansible-playbook --syntax-check`."""
    plays = [play for _where, text in EXAMPLES + BLOCKS for play in as_plays(text)]
    assert len(plays) > len(EXAMPLES)
    (tmp_path / "shown.yml").write_text(yaml.safe_dump(plays, sort_keys=False))
    done = ansible("ansible-playbook", "--syntax-check", "-i", "ebb01,", "shown.yml", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    plays[0]["tasks"] = [{f"{PREFIX}no_such_module": {}}]
    (tmp_path / "wrong.yml").write_text(yaml.safe_dump(plays, sort_keys=False))
    assert ansible("ansible-playbook", "--syntax-check", "-i", "ebb01,", "wrong.yml", folder=tmp_path).returncode != 0


def test_playbooks_pass_ansibles_own_parser() -> None:
    done = ansible(
        "ansible-playbook", "--syntax-check", "-i", str(QUICKSTART / "hosts.yml"), *(PREFIX + one for one in PLAYBOOKS),
        folder=REPO,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("block", all_blocks("console"), ids=str)
def test_commands_shown_exist(block: Block) -> None:
    shown = commands(block)
    assert shown, f"{block} shows no command"
    faults = [fault for command in shown for fault in _command_faults(command)]
    assert faults == []


def _command_faults(command: str) -> list[str]:
    words = shlex.split(command)
    while words and "=" in words[0]:  # settings of the environment
        words = words[1:]
    if words and words[0] in ("sudo", "ssh"):
        return []
    program = words[0]
    if program == "make":
        return [f"no target {one}" for one in words[1:] if "=" not in one and one not in TARGETS]
    if program == "ansible-playbook":
        books = [one.removeprefix(PREFIX) for one in words if one.startswith(PREFIX)]
        return [f"no playbook {one}" for one in books if one not in PLAYBOOKS]
    if program == "ansible":
        called = words[words.index("-m") + 1] if "-m" in words else ""
        return (
            [f"no module {called}"] if called.startswith(PREFIX) and called.removeprefix(PREFIX) not in MODULES else []
        )
    return [] if program in ELSEWHERE else [f"unknown command {program}"]


def anchors(page: Path) -> set[str]:
    """The anchors that a page's headings give (common practice of Markdown hosts)."""
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    found = set()
    for heading in re.findall(r"^#+ +(.*)$", text, re.MULTILINE):
        plain = re.sub(r"[^\w\- ]", "", heading.lower())
        found.add(plain.strip().replace(" ", "-"))
    return found | set(re.findall(r'<a (?:id|name)="([^"]+)"', text))


@pytest.mark.parametrize("page", pages(), ids=lambda page: str(page.relative_to(REPO)))
def test_links_lead_somewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    broken = []
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"[a-z]+:", target):
            continue
        name, _sign, anchor = target.partition("#")
        there = page if not name else (page.parent / name).resolve()
        if not there.exists() or (anchor and there.suffix == ".md" and anchor not in anchors(there)):
            broken.append(target)
    assert broken == []


def variables_read() -> set[str]:
    """The inventory variables that roles, playbooks and filters read."""
    found: set[str] = set()
    for folder in ("roles", "playbooks"):
        for path in (REPO / folder).rglob("*.y*ml"):
            found |= set(re.findall(r"\bsplit_actuator_[a-z_]+\b", path.read_text(encoding="utf-8")))
    return found


def test_every_inventory_variable_is_documented_and_none_is_invented() -> None:
    texts = {page: page.read_text(encoding="utf-8") for page in (REPO / "docs").rglob("*.md")}
    shown = {page: set(re.findall(r"\bsplit_actuator_[a-z_]+\b", text)) for page, text in texts.items()}
    used = variables_read()
    assert sorted(used - set().union(*shown.values())) == []
    # Metrics begin with the same word; their page is checked against the code in tests/unit/health.
    declared = set().union(*(names for page, names in shown.items() if page.name != "metrics.md"))
    metrics = shown[REPO / "docs" / "metrics.md"]
    assert sorted(name for name in declared - used - metrics if not name.endswith("_")) == []


def test_every_page_can_be_reached_from_the_readme() -> None:
    seen: set[Path] = set()
    ahead = [REPO / "README.md"]
    while ahead:
        page = ahead.pop()
        if page in seen or not page.exists() or page.suffix != ".md":
            continue
        seen.add(page)
        for target in re.findall(r"\]\(([^)\s#]+)", page.read_text(encoding="utf-8")):
            if not re.match(r"[a-z]+:", target):
                there = (page.parent / target).resolve()
                ahead.append(there / "README.md" if there.is_dir() else there)
    assert sorted(str(page.relative_to(REPO)) for page in (REPO / "docs").glob("*.md") if page not in seen) == []


def test_a_console_block_of_each_kind_is_read() -> None:
    text = (
        "```console\n$ make demo    # see it\nebb01# hostid\n0a5a05af\n$ ansible-playbook -i hosts.yml \\\n  x.y\n```\n"
    )
    page = REPO / ".work" / "page.md"
    page.write_text(text)
    try:
        (block,) = blocks(page, "console")
        assert commands(block) == ["make demo", "hostid", "ansible-playbook -i hosts.yml    x.y"]
    finally:
        page.unlink()
