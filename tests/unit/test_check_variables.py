# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
"""The check of variables: what a playbook, role, template or inventory may read, and what the page must name."""

from __future__ import annotations

import pytest

from tests.tools import check_variables

PAGE = "| variable | what |\n| --- | --- |\n| `split_actuator_pool.name` | a |\n| `split_actuator_drives` | b |\n"
ROLE = {
    "roles/fill/defaults/main.yml": 'fill_drives: "{{ split_actuator_drives }}"\nfill_depth: 1\n',
    "roles/fill/meta/argument_specs.yml": "argument_specs: {main: {options: {fill_height: {type: int}}}}\n",
    "roles/fill/tasks/main.yml": "- x.y.fill: {of: '{{ fill_drives }}', high: '{{ fill_height }}'}\n",
}
FILES = {
    "docs/inventory.md": PAGE,
    "playbooks/plan.yml": "- hosts: all\n  tasks:\n    - x.y.z:\n        pool: '{{ split_actuator_pool.name }}'\n",
    **ROLE,
}


def check(top, files=None):
    said = {**FILES, **(files or {})}
    for name, text in said.items():
        path = top / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return check_variables.check(top, sorted(said))


def play(*tasks, head=""):
    return "- hosts: all\n" + head + "  tasks:\n" + "".join(f"    - {task}\n" for task in tasks)


def names(faults):
    return [tuple(fault.split(": ")[:2]) for fault in faults]


def test_a_clean_tree_is_clean(tmp_path):
    assert check(tmp_path) == []


@pytest.mark.parametrize(
    "task",
    [
        "debug: {msg: '{{ inventory_hostname }} {{ ansible_facts.a }} {{ hostvars.b.split_actuator_drives }}'}",
        "{x.y.z: {a: '{{ item }}'}, loop: '{{ split_actuator_drives }}'}",
        "{x.y.z: {a: '{{ one }}{{ at }}'}, loop: [1], loop_control: {loop_var: one, index_var: at}}",
        "{x.y.z: {a: '{{ try_it }}'}, vars: {try_it: 1}}",
        "{block: [{debug: {var: try_it}}], vars: {try_it: 1}}",
        "{x.y.z: {}, register: try_done, until: try_done is success}",
        "{set_fact: {try_it: 1, cacheable: true}, when: try_it is defined}",
        "{include_role: {name: evenkeel.split_actuator.fill}, vars: {fill_depth: 2}}",
        "debug: {msg: \"{{ 'a' | x.y.shout is x.y.loud }}{{ lookup('pipe', 'date') }}{{ range(2) | list }}\"}",
        "debug: {msg: '{% set t = 1 %}{{ t }}{% for u in split_actuator_drives %}{{ u.at }}{% endfor %}'}",
        "debug: {msg: \"{{ groups.all | map('extract', hostvars) | map(attribute='split_actuator_drives') }}\"}",
    ],
)
def test_what_a_playbook_may_read(tmp_path, task):
    assert check(tmp_path, {"playbooks/try.yml": play(task)}) == []


@pytest.mark.parametrize(
    ("task", "name"),
    [
        ("debug: {msg: '{{ pool }}'}", "pool"),
        ("debug: {msg: \"{{ state | default('on') }}\"}", "state"),
        ("debug: {var: pool}", "pool"),
        ("assert: {that: [pool is defined]}", "pool"),
        ("{x.y.z: {}, when: pool | length > 0}", "pool"),
        ("{x.y.z: {}, failed_when: [pool == 1]}", "pool"),
        ("{x.y.z: {}, loop: '{{ serials }}'}", "serials"),
        ("{x.y.z: {}, delegate_to: '{{ other }}'}", "other"),
        ("x.y.z: {a: '{{ item }}'}", "item"),
        ("x.y.z: {a: '{{ try_it }}'}", "try_it"),
        ("{x.y.z: {a: 1}, vars: {it: 1}}", "it"),
        ("{x.y.z: {a: 1}, register: done}", "done"),
        ("{set_fact: {it: 1}}", "it"),
        ("{include_role: {name: fill}, vars: {fill_width: 2}}", "fill_width"),
        ("debug: {msg: \"{{ hostvars['a'].pool }}\"}", "pool"),
        ("debug: {msg: \"{{ hostvars['a']['pool'] }}\"}", "pool"),
        ("debug: {msg: \"{{ vars['pool'] }}\"}", "pool"),
        ("debug: {msg: \"{{ lookup('ansible.builtin.vars', 'pool') }}\"}", "pool"),
        ("debug: {msg: \"{{ groups.all | map('extract', hostvars) | selectattr('pool', 'defined') }}\"}", "pool"),
        ("debug: {msg: '{{ fill_drives }}'}", "fill_drives"),
    ],
)
def test_what_a_playbook_may_not_read_or_set(tmp_path, task, name):
    assert names(check(tmp_path, {"playbooks/try.yml": play(task)})) == [("playbooks/try.yml:3", name)]


def test_variables_of_a_task_end_with_it(tmp_path):
    text = play("{debug: {var: try_it}, vars: {try_it: 1}}", "debug: {var: try_it}")
    assert names(check(tmp_path, {"playbooks/try.yml": text})) == [("playbooks/try.yml:4", "try_it")]


def test_variables_of_a_play_and_of_a_role_in_it(tmp_path):
    role = "{role: fill, vars: {fill_depth: '{{ try_it }}', fill_deep: 1}}"
    head = f"  vars:\n    try_it: 1\n    it: 2\n  roles:\n    - {role}\n"
    found = check(tmp_path, {"playbooks/try.yml": play("debug: {var: try_it}", head=head)})
    assert names(found) == [("playbooks/try.yml:4", "it"), ("playbooks/try.yml:6", "fill_deep")]


def test_the_line_is_the_name_s_own(tmp_path):
    text = "- hosts: all\n  tasks:\n    - debug:\n        msg: >-\n          It is\n          {{ pool }}.\n"
    assert names(check(tmp_path, {"playbooks/try.yml": text})) == [("playbooks/try.yml:6", "pool")]


def test_a_tasks_file_reads_what_every_user_sets(tmp_path):
    shared = "- x.y.z: {a: '{{ ask_where }}'}\n  register: ask_done\n"
    good = play(
        "{import_tasks: tasks/ask.yml, vars: {ask_where: 1}}",
        "debug: {var: ask_done.msg}",
    )
    files = {"playbooks/tasks/ask.yml": shared, "playbooks/one.yml": good}
    assert check(tmp_path, files) == []
    files["playbooks/two.yml"] = play("import_tasks: tasks/ask.yml")
    assert names(check(tmp_path, files)) == [("playbooks/tasks/ask.yml:1", "ask_where")]


@pytest.mark.parametrize(
    ("files", "fault"),
    [
        ({"roles/fill/tasks/more.yml": "- debug: {var: fill_wide}\n"}, ("roles/fill/tasks/more.yml:1", "fill_wide")),
        ({"roles/fill/tasks/more.yml": "- debug: {var: depth}\n"}, ("roles/fill/tasks/more.yml:1", "depth")),
        ({"roles/fill/templates/a.j2": "\n{{ fill_depth }} {{ port }}\n"}, ("roles/fill/templates/a.j2:2", "port")),
        ({"roles/fill/vars/main.yml": "fill_a: '{{ pool }}'\n"}, ("roles/fill/vars/main.yml:1", "pool")),
        ({"roles/fill/handlers/main.yml": "- x.y.z:\n  when: pool\n"}, ("roles/fill/handlers/main.yml:2", "pool")),
        ({"roles/fill/defaults/main.yml": "fill_drives: 1\ndeep: 1\n"}, ("roles/fill/defaults/main.yml:2", "deep")),
        ({"roles/fill/templates/a.j2": "{{ fill_depth \n"}, ("roles/fill/templates/a.j2:1", "cannot be parsed")),
    ],
)
def test_what_a_role_may_not_read_or_set(tmp_path, files, fault):
    found = names(check(tmp_path, files))
    assert fault in found
    assert len(found) == 1 or "defaults" in fault[0]  # without its default, the page names what nothing reads


def test_a_role_s_included_files_and_templates_know_what_is_set_around_them(tmp_path):
    files = {
        "roles/fill/tasks/more.yml": "- include_tasks: deep.yml\n  vars: {fill_it: 1}\n",
        "roles/fill/tasks/deep.yml": "- template: {src: '{{ item }}.j2', dest: /a}\n  loop: [a.conf]\n",
        "roles/fill/templates/a.conf.j2": "{{ fill_it }} {{ item }} {% include 'b.j2' %}\n",
        "roles/fill/templates/b.j2": "{{ fill_it }}\n",
    }
    assert check(tmp_path, files) == []


@pytest.mark.parametrize(
    ("page", "fault"),
    [
        (
            PAGE.replace("| `split_actuator_drives` | b |\n", ""),
            ("roles/fill/defaults/main.yml:1", "split_actuator_drives"),
        ),
        (PAGE.replace("pool.name", "pool.policy"), ("playbooks/plan.yml:4", "split_actuator_pool.name")),
        (PAGE + "| `split_actuator_gone` | c |\n", ("docs/inventory.md:5", "split_actuator_gone")),
        (PAGE.replace("| b |", "| `split_actuator_gone` |"), None),
        (PAGE.replace("pool.name", "pool"), None),
        (PAGE.replace("pool.name` |", "pool.name`, `split_actuator_pool.policy` |"), None),
    ],
)
def test_the_page_names_what_is_read(tmp_path, page, fault):
    assert names(check(tmp_path, {"docs/inventory.md": page})) == ([fault] if fault else [])


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("split_actuator_drives: {a: '{{ flash }}'}\nflash: [1]\n", None),
        ("split_actuator_drives: {a: '{{ flash }}'}\n", "flash"),
        ("split_actuator_driver: 1\n", "split_actuator_driver"),
        ("flash: [1]\n", "flash"),
        ("ansible_user: root\n", None),
    ],
)
def test_an_example_s_inventory(tmp_path, text, name):
    files = {
        "docs/examples/first/group_vars/all.yml": text,
        "docs/examples/first/hosts.yml": "all:\n  hosts:\n    ebb01:\n",
        "docs/examples/other.yml": "scrape: '{{ whatever }}'\n",
    }
    where = "docs/examples/first/group_vars/all.yml:1"
    assert names(check(tmp_path, files)) == ([] if name is None else [(where, name)])


def test_a_tree_without_playbooks_is_not_clean(tmp_path):
    assert check_variables.check(tmp_path, []) != []
