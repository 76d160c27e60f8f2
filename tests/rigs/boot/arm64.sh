#!/bin/bash
# arm64.sh QEMU ROOT OUT RIG CHECKOUT: a root of the Pi's kind, each program of it through QEMU, in name spaces of its own.
set -e
qemu=$1 root=$2 out=$3 rig=$4 checkout=$5
mount -t binfmt_misc binfmt_misc /proc/sys/fs/binfmt_misc
# ELF, 64 bits, little-endian, for AArch64 (machine 183); F: opened now, so that it works within the root
printf '%s' ':arm64:M::\x7fELF\x02\x01\x01\x00\x00\x00\x00\x00\x00\x00\x00\x00\x02\x00\xb7\x00:\xff\xff\xff\xff\xff\xff\xff\x00\xff\xff\xff\xff\xff\xff\xff\xff\xfe\xff\xff\xff:'"$qemu:F" \
    >/proc/sys/fs/binfmt_misc/register
ip link set lo up
mount --bind "$root" "$root"
for made in out rig checkout; do
    mkdir -p "$root/$made"
    mount --bind "${!made}" "$root/$made"
done
mount -t proc proc "$root/proc"
mkdir -p "$root/dev/pts"
mount -t devpts -o newinstance,ptmxmode=0666 devpts "$root/dev/pts"
ln -sf pts/ptmx "$root/dev/ptmx"
mkdir -p "$root/dev/shm"
mount -t tmpfs -o mode=1777 tmpfs "$root/dev/shm"
for device in null urandom; do
    touch "$root/dev/$device"
    mount --bind "/dev/$device" "$root/dev/$device"
done
exec chroot "$root" /bin/bash /rig/arm64_inside.sh
