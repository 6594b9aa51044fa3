#!/bin/sh
# Installs the Debian packages that a task uses, where this user may; says plainly what is missing where not.
# Use: system-packages.sh demo|test|vm
set -eu
case "${1:-}" in
  demo) wanted="smartmontools:smartctl" ;;
  test) wanted="smartmontools:smartctl curl:curl e2fsprogs:mkfs.ext4 mount:losetup nbdkit:nbdkit nbdkit-plugin-python: libnbd-bin:nbdfuse fuse3:fusermount3 postgresql: chromium:chromium openssh-server: openssl:openssl systemd:systemd-analyze iproute2:ip nginx-light:nginx xfsprogs:mkfs.xfs btrfs-progs:mkfs.btrfs" ;;
  vm) wanted="qemu-system-x86:qemu-system-x86_64 qemu-utils:qemu-img mmdebstrap:mmdebstrap cpio:cpio kmod:depmod busybox-static: e2fsprogs:mkfs.ext4" ;;
  *) echo "usage: $0 demo|test|vm" >&2; exit 2 ;;
esac

PATH="$PATH:/usr/sbin:/sbin"
missing=""
for entry in $wanted; do
  package=${entry%%:*}
  program=${entry#*:}
  if [ -n "$program" ]; then
    command -v "$program" >/dev/null 2>&1 || missing="$missing $package"
  elif command -v dpkg-query >/dev/null 2>&1; then
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' || missing="$missing $package"
  fi
done
[ -n "$missing" ] || exit 0

if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
  echo "Installing$missing (Debian packages)."
  export DEBIAN_FRONTEND=noninteractive
  # A package that starts a service on installation must not do so here.
  if [ ! -e /usr/sbin/policy-rc.d ]; then
    printf '#!/bin/sh\nexit 101\n' > /usr/sbin/policy-rc.d && chmod +x /usr/sbin/policy-rc.d
    trap 'rm -f /usr/sbin/policy-rc.d' EXIT
  fi
  log=$(mktemp)
  if apt-get update -qq >"$log" 2>&1 && apt-get install -y -qq --no-install-recommends $missing >>"$log" 2>&1; then
    rm -f "$log"
  else
    echo "These packages could not be installed:$missing. The last lines of the attempt:" >&2
    tail -n 5 "$log" >&2
    rm -f "$log"
    echo "What needs them is skipped and says so." >&2
  fi
else
  echo "Not installed here (needs root and apt-get):$missing. What needs them is skipped and says so."
fi
