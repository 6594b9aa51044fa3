#!/bin/sh
# Takes Ebbmark off a Linux machine and leaves nothing: services, programs, settings, state, the collector's user.
# With --keep-data the settings and the state stay (reports kept by the collector; an agent's token and ledger).
#
#   uninstall.sh [--prefix DIR] [--keep-data]
set -eu

prefix=/opt/ebbmark
keep=no
while [ $# -gt 0 ]; do
  case "$1" in
    --prefix) prefix=${2:?}; shift 2 ;;
    --keep-data) keep=yes; shift ;;
    *) sed -n '5s/^# *//p' "$0" >&2; exit 2 ;;
  esac
done
[ "$(id -u)" = 0 ] || { echo "uninstall.sh: taking services off needs root." >&2; exit 2; }

# A running probe gives way and removes its file when the agent is stopped.
if command -v systemctl >/dev/null 2>&1; then
  for unit in ebbmark-agent.service ebbmark-collector.service; do
    systemctl disable --now "$unit" >/dev/null 2>&1 || true
    rm -rf "/etc/systemd/system/$unit" "/etc/systemd/system/$unit.d"
    systemctl reset-failed "$unit" >/dev/null 2>&1 || true
  done
  systemctl daemon-reload || true
fi
rm -rf "$prefix" "$prefix.previous"
rm -f /run/ebbmark-collector.first-run
if [ "$keep" = no ]; then
  rm -rf /var/lib/ebbmark-agent /var/lib/ebbmark-collector /etc/ebbmark
  if getent passwd ebbmark >/dev/null; then userdel ebbmark; fi
  if getent group ebbmark >/dev/null; then groupdel ebbmark; fi
  echo "Ebbmark is gone from this machine. An admin retires it at the collector: POST /v1/hosts/{host_id}/retire"
else
  echo "Ebbmark is gone; its data is kept in /var/lib/ebbmark-* and /etc/ebbmark."
fi
