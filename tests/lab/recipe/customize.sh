#!/bin/sh
# Copyright (c) 2026, The evenkeel maintainers
# SPDX-License-Identifier: GPL-3.0-or-later
#
# customize.sh PACKAGES: runs inside the fresh root and turns it into the guest's root image.
set -eu
packages=$1
export DEBIAN_FRONTEND=noninteractive LC_ALL=C

# The packages' services must not start in the chroot.
printf '#!/bin/sh\nexit 101\n' >/usr/sbin/policy-rc.d
chmod 755 /usr/sbin/policy-rc.d

mkdir -p /etc/dpkg/dpkg.cfg.d /etc/initramfs-tools/conf.d
cat >/etc/dpkg/dpkg.cfg.d/lab <<'EOF'
path-exclude=/usr/share/man/*
path-exclude=/usr/share/locale/*
path-exclude=/usr/share/doc/*
path-include=/usr/share/doc/*/copyright
force-unsafe-io
EOF
# The guest boots from an initrd of our own, below; the package's is only kept small.
printf 'MODULES=list\nRESUME=none\n' >/etc/initramfs-tools/conf.d/lab

echo 'zfs-dkms zfs-dkms/note-incompatible-licenses note true' | debconf-set-selections
apt-get update -q
apt-get -y -q dist-upgrade --no-install-recommends
# The package compiles the OpenZFS modules as it is configured.
# shellcheck disable=SC2086
apt-get -y -q install --no-install-recommends $packages

# A half-built module must not become an image.
kernel=$(basename /boot/vmlinuz-*)
kernel=${kernel#vmlinuz-}
modinfo -k "$kernel" zfs >/dev/null
depmod "$kernel"

# --- an initrd that loads three drivers and mounts the root: no search for devices, no udev
tree=$(mktemp -d)
mkdir -p "$tree/bin" "$tree/dev" "$tree/proc" "$tree/sys" "$tree/root" "$tree/modules"
cp /bin/busybox "$tree/bin/busybox"
: >"$tree/order"
for module in virtio_pci virtio_blk ext4 crc32c; do
    modprobe -S "$kernel" --show-depends "$module" | while read -r kind path _; do
        [ "$kind" = insmod ] || continue
        name=$(basename "${path%.xz}")
        case $path in *.xz) xz -dc "$path" >"$tree/modules/$name" ;; *) cp "$path" "$tree/modules/$name" ;; esac
        grep -qx "$name" "$tree/order" || echo "$name" >>"$tree/order"
    done
done
cat >"$tree/init" <<'EOF'
#!/bin/busybox sh
b=/bin/busybox
$b mount -t devtmpfs dev /dev
$b mount -t proc proc /proc
for module in $($b cat /order); do $b insmod "/modules/$module" || echo "lab: cannot load $module"; done
tries=0
until $b mount -t ext4 -o noatime /dev/vda /root; do
    tries=$((tries + 1))
    [ $tries -lt 100 ] || { echo "lab: no root on /dev/vda"; $b poweroff -f; }
    $b sleep 0.1
done
$b umount /proc
$b mount -o move /dev /root/dev
exec $b switch_root /root /sbin/init
EOF
chmod 755 "$tree/init"
(cd "$tree" && find . | cpio -o -H newc -R 0:0 --quiet) >/boot/lab-initrd
rm -rf "$tree"

# --- identity: filled in at first boot, see lab-identity below
: >/etc/machine-id
rm -f /etc/hostid /var/lib/dbus/machine-id /etc/hostname
cat >/usr/local/sbin/lab-identity <<'EOF'
#!/bin/sh
# Gives this installation the identity that the emulator's command line names, once.
set -eu
for word in $(cat /proc/cmdline); do
    case $word in
    lab.hostname=*) name=${word#*=} ;;
    lab.hostid=*) hostid=${word#*=} ;;
    esac
done
echo "$name" >/etc/hostname
printf '127.0.0.1 localhost\n127.0.1.1 %s\n' "$name" >/etc/hosts
hostname "$name"
[ "$hostid" = none ] || zgenhostid -f "$hostid"
: >/etc/lab-identity
EOF
chmod 755 /usr/local/sbin/lab-identity
cat >/etc/systemd/system/lab-identity.service <<'EOF'
[Unit]
Description=Identity of a fresh installation
DefaultDependencies=no
ConditionPathExists=!/etc/lab-identity
After=systemd-remount-fs.service
Before=sysinit.target zfs-load-module.service zfs-import.target
[Service]
Type=oneshot
ExecStart=/usr/local/sbin/lab-identity
[Install]
WantedBy=sysinit.target
EOF
systemctl enable -q lab-identity.service

# --- network: one emulated card with a fixed address
cat >/etc/systemd/network/10-lab.network <<'EOF'
[Match]
Type=ether
[Network]
Address=10.0.2.15/24
Gateway=10.0.2.2
LinkLocalAddressing=no
IPv6AcceptRA=no
EOF
systemctl enable -q systemd-networkd.service
systemctl mask -q systemd-networkd-wait-online.service
echo 'nameserver 10.0.2.3' >/etc/resolv.conf

# --- log in by key only
passwd -q -l root
mkdir -p /etc/ssh/sshd_config.d
cat >/etc/ssh/sshd_config.d/lab.conf <<'EOF'
PermitRootLogin prohibit-password
PasswordAuthentication no
UseDNS no
MaxStartups 100
MaxSessions 100
EOF

# --- quick to boot: nothing that a test machine does not need
systemctl mask -q \
    apt-daily.timer apt-daily-upgrade.timer dpkg-db-backup.timer e2scrub_all.timer e2scrub_reap.service \
    fstrim.timer man-db.timer logrotate.timer systemd-tmpfiles-clean.timer \
    getty@tty1.service serial-getty@ttyS0.service console-setup.service keyboard-setup.service \
    systemd-timesyncd.service systemd-pstore.service systemd-rfkill.socket \
    openipmi.service modprobe@drm.service modprobe@fuse.service lvm2-monitor.service \
    mdmonitor.service mdmonitor-oneshot.timer mdcheck_start.timer mdcheck_continue.timer \
    systemd-journal-catalog-update.service systemd-update-done.service systemd-hwdb-update.service ldconfig.service
# These are for the collection to switch on, where it wants them.
systemctl disable -q smartmontools.service
[ ! -e /usr/lib/systemd/system/ledmon.service ] || systemctl disable -q ledmon.service
systemctl set-default -q multi-user.target
mkdir -p /etc/systemd/journald.conf.d
printf '[Journal]\nStorage=persistent\nForwardToConsole=no\nSystemMaxUse=64M\n' >/etc/systemd/journald.conf.d/lab.conf
# Emulated processors are slow: nothing is given up on too early.
mkdir -p /etc/systemd/system.conf.d
printf '[Manager]\nDefaultTimeoutStartSec=300s\nDefaultTimeoutStopSec=60s\n' >/etc/systemd/system.conf.d/lab.conf
echo '/dev/disk/by-label/labroot / ext4 errors=remount-ro,noatime 0 0' >/etc/fstab

# --- for tests of multipath: at hand, not installed, for installed it may take drives for itself
mkdir -p /opt/lab/multipath
(cd /opt/lab/multipath && apt-get -q download multipath-tools kpartx libaio1t64 liburcu8t64 libedit2 2>/dev/null) ||
    (cd /opt/lab/multipath && apt-get -q download multipath-tools kpartx libaio1 liburcu8 libedit2)

# --- tidy
apt-get clean
rm -rf /usr/sbin/policy-rc.d /var/lib/apt/lists/* /var/cache/debconf/*-old /var/log/*.log /var/log/apt \
    /var/lib/dkms/zfs/*/build /tmp/* /root/.bash_history
mkdir -p /var/log/apt
dpkg-query -W -f '${Package} ${Version}\n' >/etc/lab-packages
