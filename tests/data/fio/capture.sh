#!/usr/bin/env bash
# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
# Records what this machine's fio prints, on files in a temporary folder. Usage: capture.sh FOLDER
set -euo pipefail
out=$(realpath "$1")
version=$(fio --version | sed 's/^fio-//')
work=$(mktemp -d)
cd "$work"
truncate -s 64M one two
common=(fio --output-format=json --ioengine=libaio --continue_on_error=all)
"${common[@]}" --readonly --rw=randread --bs=4096 --iodepth=4 --norandommap --randrepeat=0 --time_based --ramp_time=1 \
  --runtime=2 --rate_iops=200 --name=bay00.0 --filename=one --name=bay00.1 --filename=two --rate_iops=50 \
  >"$out/$version-measured.json"
"${common[@]}" --rw=write --bs=1048576 --verify=crc32c --verify_fatal=0 --verify_state_save=0 --do_verify=0 \
  --end_fsync=1 --name=bay00.0 --filename=one --offset=0 --size=8388608 >"$out/$version-written.json"
printf X | dd of=one bs=1 seek=5000000 conv=notrunc status=none
# In a pipe, its messages come before the JSON.
("${common[@]}" --readonly --rw=read --bs=1048576 --verify=crc32c --verify_fatal=0 --verify_state_save=0 \
  --name=bay00.0 --filename=one --offset=0 --size=8388608 2>&1) | sed "s#$work#/tmp#g" >"$out/$version-wrong.json"
"${common[@]}" --readonly --rw=read --bs=1048576 --name=bay00.0 --filename=missing --size=8388608 2>/dev/null \
  >"$out/$version-missing.json" || true
rm -r "$work"
