#!/bin/sh
# Makes the virtual environment, installs what requirements.lock names (every file checked against its
# hash), and installs Drawup itself as a user would have it: built and copied, not linked to src/.
# What is already as it should be is left alone, so a second run changes nothing.
# Run through `make setup`. It reads two variables:
#   PYTHON  the Python to use (else the first of python3.11, 3.12, 3.13, python3 that is 3.11 or later)
#   VENV    the folder of the environment (else .venv)
set -eu
cd "$(dirname "$0")/.."

venv=${VENV:-.venv}
python="$venv/bin/python"
at_least_3_11='import sys; sys.exit(sys.version_info < (3, 11))'

say() { printf 'setup: %s\n' "$*" >&2; }

stop() {
    say "$@"
    exit 1
}

have() { command -v "$1" >/dev/null 2>&1; }

# A name on PATH may be an empty shell for a Python that is not installed, so each is run, not only looked up.
can_make_an_environment() {
    "$1" -c "$at_least_3_11" >/dev/null 2>&1 || return 1
    have uv || "$1" -c 'import venv, ensurepip' >/dev/null 2>&1
}

find_python() {
    if [ -n "${PYTHON:-}" ]; then
        set -- "$PYTHON"
    else
        set -- python3.11 python3.12 python3.13 python3
    fi
    without_venv=
    for candidate in "$@"; do
        if can_make_an_environment "$candidate"; then
            chosen=$candidate
            return
        fi
        "$candidate" -c "$at_least_3_11" >/dev/null 2>&1 && without_venv=${without_venv:-$candidate}
    done
    [ -z "$without_venv" ] || stop "$without_venv has no venv module. Install it (on Debian: apt-get install" \
        "python3-venv) or name another Python: make setup PYTHON=/path/to/python3.11"
    stop "no Python 3.11 or later among: $*. Install one, or name it: make setup PYTHON=/path/to/python3.11"
}

# True when the environment runs, is new enough and, where PYTHON is given, was made from that very Python.
environment_stands() {
    "$python" -c "$at_least_3_11" >/dev/null 2>&1 || return 1
    [ -n "${PYTHON:-}" ] || return 0
    origin='import sys; print(sys.base_prefix, sys.version)'
    [ "$("$python" -c "$origin")" = "$("$PYTHON" -c "$origin" 2>/dev/null)" ]
}

make_environment() {
    if [ -e "$venv" ] && [ ! -f "$venv/pyvenv.cfg" ]; then
        stop "$venv is there but is no virtual environment. Move it away, or choose another: make setup VENV=.venv-2"
    fi
    find_python
    say "making $venv with $("$chosen" -c 'import sys; print("Python", sys.version.split()[0])')"
    if have uv; then
        uv venv --quiet --clear --no-python-downloads --python "$(command -v "$chosen")" "$venv"
    else
        "$chosen" -m venv --clear "$venv"
    fi || stop "could not make $venv; the lines above say why"
}

# The options given are those that pip and uv both understand.
install() {
    if have uv; then
        uv pip install --quiet --python "$python" "$@"
    else
        "$python" -m pip --version >/dev/null 2>&1 || "$python" -m ensurepip >/dev/null
        "$python" -m pip install --quiet --disable-pip-version-check --no-input --no-user --no-compile "$@"
    fi </dev/null || stop "the install failed; the lines above say why. Where packages come through a mirror, set it for" \
        "pip (PIP_INDEX_URL) or for uv (UV_DEFAULT_INDEX), then run make setup again"
}

# Start-up is two to three times slower uncompiled, and the environment may forbid Python to compile as it runs.
byte_compile() { "$python" -m compileall -qq -j 0 "$1" || true; }

locked_state() { { cksum <requirements.lock && "$python" -VV; } | cksum; }

project_state() {
    find src pyproject.toml README.md LICENSE -type f ! -path '*/__pycache__/*' ! -path '*.egg-info/*' \
        -exec cksum {} + | LC_ALL=C sort | cksum
}

is_as_noted() { [ -f "$1" ] && [ "$(cat "$1")" = "$2" ]; }

environment_stands || make_environment
packages=$("$python" -c 'import sysconfig; print(sysconfig.get_path("purelib"))')

state=$(locked_state)
if ! is_as_noted "$venv/.locked" "$state"; then
    say "installing what requirements.lock names, with $(have uv && echo uv || echo pip)"
    install --require-hashes --only-binary :all: -r requirements.lock
    byte_compile "$packages"
    printf '%s\n' "$state" >"$venv/.locked"
fi

state=$(project_state)
if ! is_as_noted "$venv/.project" "$state" || [ ! -f "$packages/drawup/__init__.py" ]; then
    say "installing Drawup"
    rm -rf build # a module that was deleted since the last build would come back from here
    install --no-deps --no-build-isolation --force-reinstall .
    rm -rf build
    byte_compile "$packages/drawup"
    printf '%s\n' "$state" >"$venv/.project"
fi
