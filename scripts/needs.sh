#!/bin/sh
# What the tests use beyond Python. Each is installed where this may be done (as root, from Debian's packages);
# where it may not, one line names it and the tests that need it skip, except with CI=true, where they fail.
set -eu

need() { # command, Debian package, what it is for
    command -v "$1" >/dev/null 2>&1 && return
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
        echo "needs: installing $2" >&2
        { apt-get -qq update && DEBIAN_FRONTEND=noninteractive apt-get -qq install -y --no-install-recommends "$2"; } \
            </dev/null >/dev/null 2>&1 || true
    fi
    command -v "$1" >/dev/null 2>&1 || echo "needs: $1 is missing (package $2), so this is not tested: $3" >&2
}

need strace strace "that an entry is on the disk before it is acknowledged"
