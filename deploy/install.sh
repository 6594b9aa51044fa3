#!/bin/sh
# Installs or upgrades Ebbmark on Linux with systemd, from a folder of wheels if one lies beside this script
# (an offline bundle) or is named, else from the package index. Run again to upgrade; `rollback` undoes the last run.
#
#   install.sh agent|collector|both [--wheels DIR] [--prefix DIR] [--python PROGRAM] [--extras LIST] [--no-services]
#   install.sh rollback [--prefix DIR] [--no-services]
set -eu

here=$(cd "$(dirname "$0")" && pwd)
prefix=/opt/ebbmark
python=${PYTHON:-python3}
services=yes
extras=""
wheels=""
[ -d "$here/wheels" ] && wheels="$here/wheels"

say() { printf '%s\n' "$*"; }
fail() { printf 'install.sh: %s\n' "$*" >&2; exit 2; }
usage() { sed -n '5,6s/^# *//p' "$0" >&2; exit 2; }

what=${1:-}
case "$what" in agent | collector | both | rollback) shift ;; *) usage ;; esac
while [ $# -gt 0 ]; do
  case "$1" in
    --wheels) wheels=${2:?}; shift 2 ;;
    --prefix) prefix=${2:?}; shift 2 ;;
    --python) python=${2:?}; shift 2 ;;
    --extras) extras=,${2:?}; shift 2 ;; # of the collector, as in tls,postgresql
    --no-services) services=no; shift ;;
    *) usage ;;
  esac
done
[ "$services" = no ] || [ "$(id -u)" = 0 ] || fail "installing services needs root; with --no-services only the programs are installed."
[ "$services" = no ] || command -v systemctl >/dev/null 2>&1 || fail "there is no systemd here; use --no-services and your own service manager."

with_agent() { [ "$what" != collector ]; }
with_collector() { [ "$what" != agent ]; }
restart_running() {
  for unit in ebbmark-collector ebbmark-agent; do
    if systemctl is-active --quiet "$unit" 2>/dev/null; then
      say "Restarting $unit."
      systemctl restart "$unit"
    fi
  done
}

if [ "$what" = rollback ]; then
  [ -d "$prefix.previous" ] || fail "there is nothing to go back to: $prefix.previous is not there."
  rm -rf "$prefix.undone"
  [ ! -d "$prefix" ] || mv "$prefix" "$prefix.undone"
  mv "$prefix.previous" "$prefix"
  rm -rf "$prefix.undone"
  [ "$services" = no ] || restart_running
  say "Back at $("$prefix/bin/ebbmark-agent" --version)."
  exit 0
fi

"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null ||
  fail "$python is not Python 3.11 or newer; name one with --python."

if [ -x "$prefix/bin/ebbmark-agent" ]; then
  # Scripts carry the prefix in their first line, so the copy works once it is moved back.
  rm -rf "$prefix.previous"
  cp -a "$prefix" "$prefix.previous"
elif [ ! -x "$prefix/bin/python" ]; then
  "$python" -m venv "$prefix"
fi

wanted=ebbmark
! with_collector || wanted="ebbmark[collector$extras]"
if [ -n "$wheels" ]; then
  own=$(ls "$wheels"/ebbmark-*.whl 2>/dev/null | tail -n 1)
  [ -n "$own" ] || fail "there is no wheel of Ebbmark in $wheels."
  "$prefix/bin/python" -m pip install --quiet --disable-pip-version-check --no-index --find-links "$wheels" \
    --upgrade "$own${wanted#ebbmark}"
else
  "$prefix/bin/python" -m pip install --quiet --disable-pip-version-check --upgrade "$wanted"
fi
say "Installed: $("$prefix/bin/ebbmark-agent" --version) in $prefix."
[ "$services" = yes ] || exit 0

mkdir -p /etc/ebbmark "$prefix/share/doc"
[ ! -e "$here/README.md" ] || cp "$here/README.md" "$prefix/share/doc/README.md"
put_unit() { sed "s|/opt/ebbmark/|$prefix/|g" "$here/systemd/$1" >"/etc/systemd/system/$1"; }
put_settings() {
  [ -e "/etc/ebbmark/$1" ] || { cp "$here/$1" "/etc/ebbmark/$1"; chmod 0644 "/etc/ebbmark/$1"; }
}
if with_agent; then
  put_unit ebbmark-agent.service
  put_settings agent.toml
  command -v smartctl >/dev/null 2>&1 || say "smartctl is not installed: health cannot be read until it is (package smartmontools)."
fi
if with_collector; then
  systemd-sysusers "$here/systemd/ebbmark.sysusers.conf"
  put_unit ebbmark-collector.service
  put_settings collector.toml
fi
systemctl daemon-reload
restart_running

if with_collector && ! systemctl is-enabled --quiet ebbmark-collector 2>/dev/null; then
  say "Next: look at /etc/ebbmark/collector.toml, then: systemctl enable --now ebbmark-collector"
  say "The admin token is then in /run/ebbmark-collector.first-run until this machine restarts."
fi
if with_agent && ! systemctl is-enabled --quiet ebbmark-agent 2>/dev/null; then
  say "Next: $prefix/bin/ebbmark-agent enrol --collector URL --token-file FILE, then: systemctl enable --now ebbmark-agent"
fi
