# Shared by scripts/demo and scripts/test: a virtual environment in .venv, with trapscan installed from this checkout.
# Usage: source setup.bash; set_up LOCK [EXTRA]. TRAPSCAN_VENV names another place for the environment.
# Everything comes from the lock file, each package by its hash; where that fails (a version that is not to be had, or
# no build for this system), the newest fitting versions are taken instead, and a notice says so.

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
venv=${TRAPSCAN_VENV:-$root/.venv}

find_python() {
    local candidate
    for candidate in "${PYTHON:-}" python3 python3.14 python3.13 python3.12 python3.11; do
        if [ -n "$candidate" ] && "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$candidate"
            return
        fi
    done
    echo "trapscan needs Python 3.11 or newer; install it, or name it: PYTHON=/path/to/python3 $0" >&2
    exit 2
}

set_up() {
    local lock=$1 extra=${2:-} python pip
    if [ ! -x "$venv/bin/python" ]; then
        python=$(find_python)
        echo "Making a virtual environment in $venv"
        if ! "$python" -m venv "$venv"; then
            rm -rf "$venv"
            echo "Python cannot make virtual environments here; on Debian: apt install python3-venv" >&2
            exit 2
        fi
    fi
    echo "Installing trapscan${extra:+ and its $extra tools} as pinned in $lock (some minutes the first time)"
    pip=("$venv/bin/python" -m pip --quiet --disable-pip-version-check install)
    if "${pip[@]}" --require-hashes -r "$root/$lock" && "${pip[@]}" --no-deps -e "$root"; then
        return
    fi
    echo "NOTICE: not everything pinned in $lock can be installed here; taking the newest fitting versions, unpinned" >&2
    "${pip[@]}" -e "$root${extra:+[$extra]}"
}
