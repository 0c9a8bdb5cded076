#!/usr/bin/env bash
# Fetches a recording of speech, 48 kHz, one channel, from Debian's package alsa-utils (2022, GPL-2.0), which is
# not ours to ship. Without Debian's archive at hand nothing is fetched and the check that wants it says so.
set -euo pipefail
cd "$(dirname "$0")/../.."
to=target/recordings
[ -e "$to/speech.wav" ] && exit 0
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
(cd "$folder" && apt-get download alsa-utils >/dev/null 2>&1 && dpkg-deb -x alsa-utils_*.deb .) || {
    echo "no recording fetched: Debian's archive cannot be reached"
    exit 0
}
mkdir -p "$to"
cp "$folder/usr/share/sounds/alsa/Front_Center.wav" "$to/speech.wav"
echo "fetched $to/speech.wav"
