# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""Checks that the collection's lists agree with its plugins.

- `action_groups` in meta/runtime.yml names every module exactly once, so that
  `module_defaults: group/evenkeel.split_actuator.split_actuator` reaches them all.
- every module says in its documentation that it is in the group.
- the version in galaxy.yml, and every role has an argument specification.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

GROUP = "split_actuator"
FRAGMENT = "evenkeel.split_actuator"


def load(path: str) -> Any:
    return yaml.safe_load(Path(path).read_text(encoding="utf-8"))


def documentation(module: Path) -> dict[str, Any]:
    """The DOCUMENTATION of a module; empty when there is none."""
    for node in ast.parse(module.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and any(getattr(t, "id", "") == "DOCUMENTATION" for t in node.targets):
            return dict(yaml.safe_load(ast.literal_eval(node.value)))
    return {}


def group_faults() -> Iterator[str]:
    """Differences between the action group and the modules there are."""
    modules = {path.stem for path in Path("plugins/modules").glob("*.py") if path.stem != "__init__"}
    groups = load("meta/runtime.yml").get("action_groups", {})
    if set(groups) != {GROUP}:
        yield f"meta/runtime.yml: action_groups should hold exactly {GROUP}, found {sorted(groups)}"
    named = [entry for entry in groups.get(GROUP, []) if isinstance(entry, str)]
    for name in sorted(modules - set(named)):
        yield f"meta/runtime.yml: action group {GROUP} lacks the module {name}"
    for name in sorted(set(named) - modules):
        yield f"meta/runtime.yml: action group {GROUP} names {name}, which is no module"
    if named != sorted(set(named)):
        yield f"meta/runtime.yml: action group {GROUP} is not sorted or names a module twice"
    for name in sorted(modules):
        if "action_group" not in " ".join(fragments_and_attributes(Path(f"plugins/modules/{name}.py"))):
            yield f"plugins/modules/{name}.py: the documentation does not state the attribute action_group"


def fragments_and_attributes(module: Path) -> list[str]:
    """The names of the attributes a module states, its own and those of its fragments."""
    doc = documentation(module)
    names = list(doc.get("attributes", {}))
    fragments = doc.get("extends_documentation_fragment", [])
    for fragment in [fragments] if isinstance(fragments, str) else fragments:
        if fragment.startswith(FRAGMENT + "."):
            file = Path("plugins/doc_fragments") / f"{fragment.split('.')[2]}.py"
            names += re.findall(r"^ *(\w+):$", file.read_text(encoding="utf-8"), re.MULTILINE) if file.exists() else []
    return names


def role_faults() -> Iterator[str]:
    """Roles without an argument specification for their main tasks."""
    for role in sorted(path for path in Path("roles").glob("*") if (path / "tasks").is_dir()):
        spec = role / "meta" / "argument_specs.yml"
        if not spec.exists() or "main" not in load(str(spec)).get("argument_specs", {}):
            yield f"{spec}: the role has no argument specification for main"


def version_faults() -> Iterator[str]:
    version = str(load("galaxy.yml")["version"])
    if not re.fullmatch(r"\d+\.\d+\.\d+(-[a-z0-9.]+)?", version):
        yield f"galaxy.yml: {version} is no semantic version"


def main() -> int:
    """Check the copy in the current folder."""
    faults = [*group_faults(), *role_faults(), *version_faults()]
    for fault in faults:
        print(fault)
    return int(bool(faults))


if __name__ == "__main__":
    sys.exit(main())
