#!/bin/sh
# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
#
# capture.sh LAB NAME: writes what zpool prints of the pools of a lab machine, in every form that is read.
# Run from the top of the repository, as: tests/data/zpool/capture.sh molecule degraded-2.3.9
set -eu
lab=$1
to=$(dirname "$0")/$2
guest() { python3 -m tests.lab ssh --name "$lab" "$1"; }
guest 'zpool status -P -p' >"$to.text"
guest 'zpool status -g -p' >"$to.guids"
guest 'zpool list -H -p -o name,guid' >"$to.list"
if guest 'zpool status -j -P --json-int' >"$to.json"; then :; else rm "$to.json"; fi
