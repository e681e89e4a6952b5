#!/usr/bin/env bash
# Stops what start-slurm.sh started in DIR, jobs first: stop-slurm.sh [--purge] [DIR]. --purge removes DIR too.
set -uo pipefail
purge=0; [ "${1:-}" = --purge ] && { purge=1; shift; }
dir=$(realpath -m "${1:-${TMPDIR:-/tmp}/one-host-slurm}")
[ -O "$dir/.one-host-slurm" ] || { echo "one-host cluster: $dir is not a folder of start-slurm.sh" >&2; exit 1; }
export SLURM_CONF="$dir/slurm.conf"
if timeout 5 scontrol ping >/dev/null 2>&1; then
  for state in PENDING RUNNING; do timeout 10 scancel --full --state=$state -u root >/dev/null 2>&1; done
  for n in $(seq 50); do [ -z "$(timeout 5 squeue -h 2>/dev/null)" ] && break; sleep 0.2; done
fi
below() { local c; for c in $(pgrep -P "$1"); do below "$c"; echo "$c"; done; }
# step daemons that outlived their node keep its log open
for step in $(pgrep -x slurmstepd); do ls -l "/proc/$step/fd" 2>/dev/null | grep -q "$dir/log/node" && kill -9 "$step" $(below "$step") 2>/dev/null; done
stop() { # stop NAME PATTERN: by its own pid file, if that process is still the program; politely, then for good
  local pid n; pid=$(cat "$dir/run/$1.pid" 2>/dev/null) || return 0
  is() { tr '\0' ' ' <"/proc/$pid/cmdline" 2>/dev/null | grep -q "$1"; }
  is "$2" && { kill "$pid"; for n in $(seq 50); do is "$2" || break; sleep 0.2; done; is "$2" && kill -9 "$pid"; }
  rm -f "$dir/run/$1.pid"
}
for f in "$dir"/run/node*.pid; do [ -e "$f" ] && stop "$(basename "$f" .pid)" slurmd; done
for d in slurmctld slurmdbd mariadbd munged; do stop $d $d; done
[ "$(readlink /etc/slurm/slurm.conf 2>/dev/null)" = "$dir/slurm.conf" ] && rm -f /etc/slurm/slurm.conf
[ $purge = 0 ] || rm -rf "$dir"
exit 0
