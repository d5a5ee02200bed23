#!/usr/bin/env bash
# Makes the environment, installs what the tests need, runs them. Further words go to pytest.
set -euo pipefail
cd "$(dirname "$0")/.."

# Debian packages: a browser to look at reports, its fonts, PDF tools, ways to injure a process, and
# programs that read the same hardware as the probes.
needed=(chromium fonts-dejavu-core poppler-utils strace util-linux mount e2fsprogs edid-decode ethtool iperf3 iproute2 openssh-server pulseaudio libportaudio2 libasound2-plugins busybox-static procps socat usbutils umockdev)
python3 -c 'import ensurepip, venv' 2>/dev/null || needed+=(python3-venv)
missing=()
for package in "${needed[@]}"; do
  dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing+=("$package")
done
if [ ${#missing[@]} -gt 0 ]; then
  root=""
  [ "$(id -u)" -eq 0 ] || root="sudo"
  $root apt-get update -qq
  DEBIAN_FRONTEND=noninteractive $root apt-get install -y -qq --no-install-recommends "${missing[@]}"
  # The tests start an SSH server of their own; the one that the package has just started is not wanted.
  case " ${missing[*]} " in *" openssh-server "*) $root systemctl disable --now ssh >/dev/null 2>&1 || true ;; esac
fi

environment="${VERIFIER_TEST_ENVIRONMENT:-.venv}"
[ -x "$environment/bin/python" ] || python3 -m venv "$environment"
"$environment/bin/python" -m pip install --quiet --disable-pip-version-check --editable '.[test]'
exec "$environment/bin/python" -m pytest "$@"
