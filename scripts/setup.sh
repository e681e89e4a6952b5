# shellcheck shell=bash
# Sets up what a run or the tests need and do not find; sourced by scripts/run and scripts/test, never by a job.
#
#   homewater_setup CLONE       the locked Python packages in CLONE/.venv, and the text libraries that the report needs
#   homewater_programs CLONE P=PACKAGE ...   programs that tests call, from the Debian package after the equals sign
#
# HOMEWATER_WHEELS=DIR  install the Python packages from the files in DIR alone, without a network
# HOMEWATER_NO_APT=1    leave apt alone; what is missing is named instead
# HOMEWATER_PYTHON=FILE the Python to build the environment with

# Libraries that the report loads by name, each with the Debian package that brings it (and what it needs in turn).
# harfbuzz-subset is optional to the PDF writer, but changes the fonts' bytes in the PDF: so it is there for everyone.
_homewater_libraries=(
    libgobject-2.0.so.0=libpango-1.0-0
    libpango-1.0.so.0=libpango-1.0-0
    libpangoft2-1.0.so.0=libpangoft2-1.0-0
    libharfbuzz.so.0=libharfbuzz0b
    libharfbuzz-subset.so.0=libharfbuzz-subset0
    libfontconfig.so.1=libfontconfig1
    libexpat.so.1=libexpat1
)

_homewater_say() { printf 'set-up: %s\n' "$*" >&2; }

_homewater_fail() {
    _homewater_say "$*"
    exit 1
}

# Where a user without root has the packages unpacked.
_homewater_private_paths() {
    local system="$1/.venv/system" folder
    for folder in "$system/usr/lib/x86_64-linux-gnu" "$system/lib/x86_64-linux-gnu"; do
        if [[ -d $folder && ":${LD_LIBRARY_PATH:-}:" != *":$folder:"* ]]; then
            export LD_LIBRARY_PATH="$folder${LD_LIBRARY_PATH:+:$LD_LIBRARY_PATH}"
        fi
    done
    if [[ -d $system/usr/bin && ":$PATH:" != *":$system/usr/bin:"* ]]; then
        export PATH="$PATH:$system/usr/bin"
    fi
}

# Prints the Debian packages of the libraries that are not there, each once.
_homewater_missing_libraries() {
    local known folder entry soname package printed=" " found
    known=$(PATH="$PATH:/usr/sbin:/sbin" ldconfig -p 2>/dev/null || true)
    for entry in "${_homewater_libraries[@]}"; do
        soname=${entry%%=*} package=${entry#*=} found=
        [[ $known == *"$soname (libc6,x86-64"* ]] && found=1
        while [[ -z $found ]] && IFS= read -r -d: folder; do
            [[ -n $folder && -e $folder/$soname ]] && found=1
        done <<<"${LD_LIBRARY_PATH:-}:"
        if [[ -z $found && $printed != *" $package "* ]]; then
            printed+="$package "
            echo "$package"
        fi
    done
}

# Sets `python` (path, or empty), `python_version` and `python_complete` (1 if it can make an environment by itself).
# Every candidate is tried, since a name on PATH may be a stub that leads nowhere.
_homewater_find_python() {
    local name candidate answer version rank best=99
    python='' python_version='' python_complete=''
    while IFS= read -r candidate; do
        answer=$("$candidate" -I -c '
import sys
print(sys.executable, "%d.%d" % sys.version_info[:2])
import ensurepip, venv
print("complete")' 2>/dev/null) || true
        [[ -n $answer ]] || continue
        version=${answer%%$'\n'*} version=${version##* }
        case $version in
            3.11) rank=0 ;;
            3.12) rank=1 ;;
            3.13) rank=2 ;;
            *) continue ;;
        esac
        [[ $answer == *complete ]] || rank=$((rank + 10))
        if ((rank < best)); then
            best=$rank python=${answer%%$'\n'*} python=${python% *} python_version=$version
            python_complete=
            if [[ $answer == *complete ]]; then python_complete=1; fi
        fi
    done < <(
        if [[ -n ${HOMEWATER_PYTHON:-} ]]; then
            echo "$HOMEWATER_PYTHON"
        else
            for name in python3.11 python3.12 python3.13 python3; do
                type -aP "$name" || true
            done
        fi
    )
}

_homewater_apt_allowed() { [[ ${HOMEWATER_NO_APT:-} != 1 ]] && command -v apt-get >/dev/null; }

# Installs packages as root.
_homewater_apt_install() {
    _homewater_say "apt-get install --no-install-recommends $*"
    {
        apt-get -qq update &&
            DEBIAN_FRONTEND=noninteractive apt-get -qq -y install --no-install-recommends "$@"
    } >&2 </dev/null || _homewater_fail "apt-get failed (its message is above); needed: $*"
}

# Without root: fetches the packages and those that they need and this machine lacks, and unpacks them into .venv/system.
_homewater_apt_unpack() {
    local clone=$1
    shift
    local system="$clone/.venv/system" work="$clone/.venv/apt" plan wanted package
    _homewater_say "no root here: unpacking into .venv/system: $*"
    rm -rf "$work"
    mkdir -p "$work/state/lists/partial" "$work/cache/archives/partial" "$work/deb" "$system"
    local own=(-qq -o "Dir::State=$work/state" -o "Dir::State::status=/var/lib/dpkg/status" -o "Dir::Cache=$work/cache"
        -o "APT::Update::Post-Invoke=" -o "APT::Update::Post-Invoke-Success=")
    apt-get "${own[@]}" update >&2 </dev/null || _homewater_fail "apt-get update failed (its message is above)"
    # "Inst NAME [old] (new ...": what has an old version is there already, and newer copies of it must not shadow it
    plan=$(apt-get "${own[@]}" -s install --no-install-recommends "$@") ||
        _homewater_fail "apt-get cannot find $*: ask an administrator to install them"
    wanted=$(sed -n 's/^Inst \([^ ]*\) (.*/\1/p' <<<"$plan")
    [[ -n $wanted ]] || _homewater_fail "apt-get has nothing to add for $*: ask an administrator to look at them"
    # shellcheck disable=SC2086  # one name a word
    (cd "$work/deb" && apt-get "${own[@]}" download $wanted >&2 </dev/null) ||
        _homewater_fail "apt-get download failed (its message is above); needed: $*"
    for package in "$work"/deb/*.deb; do
        dpkg -x "$package" "$system" || _homewater_fail "$package cannot be unpacked"
    done
    rm -rf "$work"
    _homewater_private_paths "$clone"
}

# Provides Debian packages, with root or without; names them all where neither may be done.
_homewater_packages() {
    local clone=$1 shared=$2
    shift 2
    (($#)) || return 0
    if ! _homewater_apt_allowed; then
        _homewater_fail "missing Debian packages; as root: apt-get install --no-install-recommends $*"
    elif ((EUID == 0)); then
        _homewater_apt_install "$@"
    elif [[ $shared == needs_root ]]; then
        _homewater_fail "missing Debian packages; ask an administrator for: apt-get install --no-install-recommends $*"
    else
        _homewater_apt_unpack "$clone" "$@"
    fi
}

homewater_programs() {
    local clone=$1 entry missing=()
    shift
    for entry in "$@"; do
        command -v "${entry%%=*}" >/dev/null || missing+=("${entry#*=}")
    done
    _homewater_packages "$clone" may_unpack "${missing[@]+"${missing[@]}"}"
}

_homewater_is_ready() {
    local clone=$1 hash=$2
    [[ -x $clone/.venv/bin/python && -r $clone/.venv/.set-up && $(<"$clone/.venv/.set-up") == "$hash" ]] || return 1
    _homewater_private_paths "$clone"
    [[ -z $(_homewater_missing_libraries) ]]
}

_homewater_install() {
    local clone=$1 hash=$2 venv="$1/.venv" lock="$1/requirements.lock"
    local python python_version python_complete packages=() kind=may_unpack
    rm -f "$venv/.set-up"

    # All that is missing is found before anything is installed.
    if ! "$venv/bin/python" -I -c 'import sys, pip; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' 2>/dev/null; then
        _homewater_find_python
        if [[ -z $python_complete ]]; then
            kind=needs_root
            case $python in
                '') packages+=(python3 python3-venv) ;;
                /usr/bin/*) packages+=("python$python_version-venv") ;;
                *) _homewater_fail "$python lacks ensurepip or venv, and no other Python 3.11 to 3.13 is on PATH" ;;
            esac
        fi
    fi
    _homewater_private_paths "$clone"
    local libraries
    libraries=$(_homewater_missing_libraries)
    # shellcheck disable=SC2206  # one name a word
    packages+=($libraries)
    if [[ -n ${HOMEWATER_WHEELS:-} && ! -d ${HOMEWATER_WHEELS:-} ]]; then
        _homewater_fail "HOMEWATER_WHEELS=$HOMEWATER_WHEELS is not a folder"
    fi
    _homewater_packages "$clone" "$kind" "${packages[@]+"${packages[@]}"}"
    libraries=$(_homewater_missing_libraries)
    [[ -z $libraries ]] || _homewater_fail "still missing after apt-get: "$libraries

    if [[ $kind == needs_root ]]; then
        _homewater_find_python
        [[ -n $python_complete ]] || _homewater_fail "no Python 3.11, 3.12 or 3.13 with ensurepip and venv is on PATH"
    fi
    if [[ -n ${python:-} ]]; then
        [[ $python_version == 3.11 ]] || _homewater_say "Python $python_version is untested here; 3.11 is what is tested"
        _homewater_say "making .venv with $python"
        find "$venv" -mindepth 1 -maxdepth 1 ! -name .set-up.lock ! -name system -exec rm -rf {} +
        "$python" -I -m venv "$venv" || _homewater_fail "$python cannot make an environment (its message is above)"
    fi

    _homewater_say "installing the packages of requirements.lock into .venv (once; some minutes)"
    local from=() pip=("$venv/bin/python" -I -m pip --disable-pip-version-check install -qq --no-input --no-deps --require-hashes)
    [[ -z ${HOMEWATER_WHEELS:-} ]] || from=(--no-index --find-links "$(cd "$HOMEWATER_WHEELS" && pwd)")
    # What comes as source only is built with the locked build backend, which therefore comes first.
    awk '/^(setuptools|wheel)==/ { on = 1 } on { print } on && !/\\$/ { on = 0 }' "$lock" >"$venv/.backend.lock"
    {
        PIP_USER=0 "${pip[@]}" "${from[@]+"${from[@]}"}" -r "$venv/.backend.lock" &&
            PIP_USER=0 "${pip[@]}" "${from[@]+"${from[@]}"}" --no-build-isolation -r "$lock"
    } >&2 </dev/null || _homewater_fail "pip failed (its message is above)"
    rm -f "$venv/.backend.lock"
    (
        eval "$("$venv/bin/python" "$clone/scripts/homewater/running/environment.py" "$clone")"
        "$venv/bin/python" -I -c 'import cyvcf2, numba, pikepdf, pyarrow, rasterio, scipy, shapely, snakemake, weasyprint, zarr'
    ) >&2 || _homewater_fail "the packages are installed, but one does not load (its message is above)"
    printf '%s\n' "$hash" >"$venv/.set-up.new"
    mv "$venv/.set-up.new" "$venv/.set-up" # last, so that a set-up cut short is taken up again
    _homewater_say "done"
}

homewater_setup() {
    local clone=$1 hash
    unset PYTHONPATH PYTHONHOME
    [[ $(uname -sm) == "Linux x86_64" ]] || _homewater_fail "homewater runs on Linux on x86-64, this is $(uname -sm)"
    hash=$(sha256sum <"$clone/requirements.lock") hash=${hash%% *}
    _homewater_is_ready "$clone" "$hash" && return
    mkdir -p "$clone/.venv" 2>/dev/null && [[ -w $clone/.venv ]] ||
        _homewater_fail "$clone/.venv cannot be written to: set up as its owner, or clone anew"
    (
        if ! flock -n 9; then
            _homewater_say "waiting for another set-up of this clone"
            flock 9
        fi
        _homewater_is_ready "$clone" "$hash" || _homewater_install "$clone" "$hash"
    ) 9>"$clone/.venv/.set-up.lock" || exit 1
    _homewater_private_paths "$clone"
}
