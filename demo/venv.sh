# shellcheck shell=bash
# Sourced by demo/run and tests/run: makes a virtual environment and installs the package into it.

# ready_venv FOLDER EXTRAS: afterwards FOLDER/bin/python has this checkout, editable, with EXTRAS
# ("" or "[dev]"). Installs again only when pyproject.toml or the extras changed.
ready_venv() {
  local venv="$1" extras="$2" home stamp
  home="$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)"
  if ! python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
    echo "Python 3.11 or newer is needed. On Debian: apt install python3 python3-venv" >&2
    return 1
  fi
  if [ ! -x "$venv/bin/python" ] && ! python3 -m venv "$venv"; then
    rm -rf "$venv"
    echo "python3 cannot make virtual environments. On Debian: apt install python3-venv" >&2
    return 1
  fi
  stamp="$home $extras $(cksum <"$home/pyproject.toml")"
  if [ "$(cat "$venv/installed" 2>/dev/null)" != "$stamp" ]; then
    echo "Installing sidekeep$extras into $venv ..."
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --editable "$home$extras"
    echo "$stamp" >"$venv/installed"
  fi
}
