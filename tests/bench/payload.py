# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""A module as Ansible sends it to a host, so that it can be timed there without the controller's share."""

from __future__ import annotations

from typing import Any

from ansible.executor.module_common import modify_module
from ansible.parsing.dataloader import DataLoader
from ansible.plugins.loader import init_plugin_loader, module_loader
from ansible.template import Templar
from ansible.utils.collection_loader import AnsibleCollectionConfig

from tests.checkout import REPO

COLLECTION = "evenkeel.split_actuator"


def payload(module: str, arguments: dict[str, Any]) -> bytes:
    """The script that Ansible would run on the host for this module and these arguments.

    A name with dots is a module of another collection.
    """
    if not AnsibleCollectionConfig.collection_finder:
        init_plugin_loader([str(REPO / ".work")])
    name = module if "." in module else f"{COLLECTION}.{module}"
    found = module_loader.find_plugin_with_context(name, mod_type=".py")
    made = modify_module(
        module_name=found.resolved_fqcn,
        module_path=found.plugin_resolved_path,
        module_args={"_ansible_check_mode": False, "_ansible_module_name": name, **arguments},
        templar=Templar(DataLoader()),
        task_vars={"ansible_python_interpreter": "/usr/bin/python3"},
    )
    script = made[0] if isinstance(made, tuple) else made.b_module_data
    return bytes(script)
