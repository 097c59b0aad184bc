# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""The one place where the library meets an Ansible module.

`run_face` calls a module's work and turns the library's errors into C(fail_json);
`ModuleRunner` lets the library run commands through C(run_command).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Callable, Dict, Sequence

from ansible.module_utils.basic import missing_required_lib

from ._core.errors import CommandError, CoreError, HostError, MissingLibraryError, Refusal
from ._core.host.run import Result

if TYPE_CHECKING:
    from ansible.module_utils.basic import AnsibleModule

SYSTEM_PATHS = ("/usr/sbin", "/sbin", "/usr/bin", "/bin")


class ModuleRunner:
    """The `Runner` of a module: also finds programs in root's directories, and sets the C locale."""

    def __init__(self, module: AnsibleModule) -> None:
        self._module = module

    def __call__(self, argv: Sequence[str]) -> Result:
        """Run *argv* to its end. Raises HostError when the program is missing or cannot be started."""
        program = self._module.get_bin_path(argv[0], opt_dirs=list(SYSTEM_PATHS))
        if program is None:
            raise HostError(
                "the program {0} is not installed".format(argv[0]),
                subject="host",
                remedy="Install the package that contains it; the role prerequisites does so on Debian 12 and 13.",
            )
        try:
            rc, stdout, stderr = self._module.run_command(
                [program, *argv[1:]],
                environ_update={"LANG": "C", "LC_ALL": "C", "LANGUAGE": "C"},
                # Left on, a "$" or "~" inside an argument would be replaced.
                expand_user_and_vars=False,
                handle_exceptions=False,
            )
        except OSError as error:
            raise HostError(
                "the program {0} cannot be started: {1}".format(program, error.strerror or error), subject="host"
            ) from error
        return Result(rc, stdout, stderr)


def run_face(module: AnsibleModule, work: Callable[[AnsibleModule, ModuleRunner], Dict[str, Any]]) -> None:
    """Finish *module* with what *work* returns (plain data), or fail it with the library's error.

    A failure has RV(msg) (the whole message), RV(subject), RV(remedy), and RV(reasons) when an action was refused, or
    RV(cmd), RV(rc), RV(stderr) when a command failed.
    """
    try:
        result = work(module, ModuleRunner(module))
    except CoreError as error:
        module.fail_json(**failure(error))
    else:
        module.exit_json(**result)


def failure(error: CoreError) -> Dict[str, Any]:
    """The arguments of C(fail_json) for a foreseeable error."""
    found: Dict[str, Any] = {"msg": str(error), "subject": error.subject, "remedy": error.remedy}
    if isinstance(error, MissingLibraryError):
        found["msg"] = "{0}. {1}".format(missing_required_lib(error.library), error.remedy)
    if isinstance(error, Refusal):
        found["reasons"] = list(error.reasons)
    if isinstance(error, CommandError):
        found.update(cmd=list(error.argv), rc=error.rc, stderr=error.stderr)
    return found
