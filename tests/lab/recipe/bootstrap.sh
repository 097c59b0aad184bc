#!/bin/sh
# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
#
# bootstrap.sh RELEASE ROOT CUSTOMIZE KEY PACKAGES MIRROR SECURITY_MIRROR APT_SETTINGS
#
# Runs as root in a mount and process space of its own, so that whatever happens nothing stays
# mounted and nothing keeps running.
set -eu
PATH=$PATH:/usr/sbin:/sbin
release=$1 root=$2 customize=$3 key=$4 packages=$5 mirror=$6 security=$7 settings=$8

mount --make-rprivate /
debootstrap --variant=minbase --components=main,contrib --include=ca-certificates "$release" "$root" "$mirror"

{
    echo "deb $mirror $release main contrib"
    echo "deb $mirror $release-updates main contrib"
    [ -z "$security" ] || echo "deb $security $release-security main contrib"
} >"$root/etc/apt/sources.list"
[ -z "$settings" ] || printf '%s\n' "$settings" >"$root/etc/apt/apt.conf.d/90lab-host"

mkdir -p "$root/root/.ssh"
chmod 700 "$root/root/.ssh"
cp "$key" "$root/root/.ssh/authorized_keys"
cp "$customize" "$root/customize.sh"
[ ! -e /etc/resolv.conf ] || cp -L /etc/resolv.conf "$root/etc/resolv.conf"

mount -t proc proc "$root/proc"
mount -t sysfs -o ro sysfs "$root/sys"
mount --rbind /dev "$root/dev"
echo "LAB: installing packages and compiling OpenZFS (about 4 minutes on 2 cores)"
chroot "$root" sh /customize.sh "$packages"
rm "$root/customize.sh"
umount -l "$root/dev" "$root/sys" "$root/proc"
