#!/usr/bin/env bash
# Install the instrument on a Raspberry Pi, or on another computer with 64-bit Debian 12 or 13. Read it first.
# It does what docs/installation.md says. You can run it again at any time: it does not repeat finished steps.
#
#   ./install.sh --dry-run          show each step, change nothing
#   sudo ./install.sh               install, or update to the version in this folder
#   sudo ./install.sh --back        go back to the version before
#
# Options:
#   --data DIR      folder of settings and flights; default: /data. With a read-only root: a partition of its own
#   --extras LIST   also install page (live page) or controls (knobs on pins), or page,controls; none removes them
#   --sound KIND    usb (default), i2s (an amplifier of the type MAX98357A) or pwm (GPIO 18 and 19)
#   --compiled      compile the flight logic: 57 % of the instructions; takes minutes and 600 MB of memory
#   --no-service    do not start with the computer
# /opt/vario/options keeps all of them but --sound for the next update. --no-compiled and --service take them back.
#
set -euo pipefail

here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
place=${PLACE:-/opt/vario} # another one only for tests
python=${PYTHON:-python3}
fail() { echo "install.sh: $*" >&2; exit 1; }

needs() { [ -n "${2:-}" ] || fail "$1 needs $3"; } # OPTION VALUE WHAT

data=/data sound=usb compiled='' service=yes dry='' back='' extras=''
kept=()
if [ -e "$place/options" ]; then mapfile -t kept <"$place/options"; fi # one word a line
set -- "${kept[@]}" "$@"
while [ $# -gt 0 ]; do
    case $1 in
        --data) needs --data "${2:-}" "a folder, such as /data"; data=$2; shift ;;
        --extras)
            needs --extras "${2:-}" "page, controls, page,controls or none"
            case $2 in none) extras='' ;; *) extras+=,$2 ;; esac
            shift ;;
        --sound) needs --sound "${2:-}" "usb, i2s or pwm"; sound=$2; shift ;;
        --compiled) compiled=yes ;;
        --no-compiled) compiled='' ;;
        --service) service=yes ;;
        --no-service) service='' ;;
        --dry-run) dry=yes ;;
        --back) back=yes ;;
        -h | --help) sed -n '2,${/^#/!q;s/^# \{0,1\}//;p}' "$0"; exit ;;
        *) echo "install.sh: unknown option $1; see --help" >&2; exit 2 ;;
    esac
    shift
done

config=$data/vario.toml
boot=/boot/firmware/config.txt

run() { if [ -n "$dry" ]; then printf '   %s\n' "$*"; else "$@"; fi; }
# Add a line to the settings of the board. The file from before the first change is kept.
board_line() {
    if grep -qxF "$1" $boot; then return; fi
    if [ -n "$dry" ]; then echo "   add to $boot: $1"; return; fi
    [ -e $boot.before-vario ] || cp -p $boot $boot.before-vario
    # [all]: a section for one model may be open at the end of the file.
    printf '\n[all]\n%s\n' "$1" >>$boot
    reboot=yes
}
reboot=''
# The unit names the program and the settings file, so it is written anew for each version.
set_up_service() {
    if [ -z "$service" ]; then return; fi
    echo "== Service"
    run "$1/bin/vario" install-service --config "$config" --yes
    if [ -d /run/systemd/system ]; then
        run systemctl daemon-reload
        run systemctl enable --quiet vario
        run systemctl try-restart vario
    fi
}

case $sound in usb | i2s | pwm) ;; *) fail "--sound $sound: expected usb, i2s or pwm" ;; esac
case $data in /*) ;; *) fail "--data $data: expected an absolute path" ;; esac
[ "$(getconf LONG_BIT)" = 64 ] ||
    fail "this system has 32 bits; expected a 64-bit one: for 32-bit Arm there are no built packages of NumPy and others"
version=$("$python" -c 'import sys; print("%d.%d" % sys.version_info[:2])' 2>/dev/null) ||
    fail "$python does not run; expected Python 3.11 or 3.13: sudo apt install python3"
lock=$here/.ci/locks/pi-$version.txt
[ -e "$lock" ] || fail "Python $version; expected 3.11 (Debian 12) or 3.13 (Debian 13)"
locks=("$lock")
extras=$(tr ', ' '\n' <<<"$extras" | sed '/^$/d' | sort -u | paste -sd ,)
for extra in ${extras//,/ }; do
    [ -e "${lock%.txt}-$extra.txt" ] || fail "--extras $extra: expected page, controls or none"
    locks+=("${lock%.txt}-$extra.txt")
done
built=$(sed -n 's/^--no-binary //p' "${locks[@]}") # packages that this computer builds: no files for this Python
[ -n "$dry" ] || [ "$(id -u)" = 0 ] || fail "expected to be run with sudo, or with --dry-run"
model=$(tr -d '\0' 2>/dev/null </proc/device-tree/model || true)
case $sound/$model in pwm/*'Raspberry Pi 5'*) fail "--sound pwm: a Raspberry Pi 5 has no such output; expected usb or i2s" ;; esac

if [ -n "$back" ]; then
    former=$(readlink "$place/former") || fail "--back: no version before: $place/former is missing"
    echo "== Back to $former"
    now=$(readlink "$place/current")
    set_up_service "$former" # first: it fails if the settings have keys that the version before does not know
    run ln -sfn "$former" "$place/current"
    run ln -sfn "$now" "$place/former"
    exit
fi
echo "== Computer: ${model:-no Raspberry Pi}, Python $version, settings and flights in $data"

echo "== Packages of Debian"
packages=(python3-venv libportaudio2 alsa-utils ${built:+swig})
if [ -n "$compiled$built" ]; then packages+=(gcc libc6-dev python3-dev); fi
missing=()
for package in "${packages[@]}"; do
    # shellcheck disable=SC2016  # a format of dpkg-query, not a variable
    dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing+=("$package")
done
if [ ${#missing[@]} -gt 0 ]; then
    run apt-get update -qq
    run apt-get install -qq -y --no-install-recommends "${missing[@]}"
fi

echo "== The program, with its libraries in the versions and hashes of $lock"
name=$(git -C "$here" -c safe.directory="$here" rev-parse --short=12 HEAD 2>/dev/null || echo unknown)
if [ "$name" = unknown ] || [ -n "$(git -C "$here" -c safe.directory="$here" status --porcelain)" ]; then
    name+=-$(date -u +%Y%m%d-%H%M%S)
fi
release=$place/releases/$name-$version
same=$release # a version with other options is not another version to go back to
release+=${extras:+-${extras//,/-}}${compiled:+-compiled}
if [ ! -e "$release/.complete" ]; then # without it, an installation was interrupted and is made again
    run rm -rf "$release"
    run mkdir -p "$place/releases"
    run "$python" -m venv "$release"
    # PYPI=1 builds lgpio with the C library that its source contains.
    run env ${built:+PYPI=1} "$release/bin/pip" install --quiet --require-hashes --only-binary :all: \
        "${locks[@]/#/--requirement=}"
    # The build tools come from PyPI without hashes, are used for this step, and are not kept.
    run env ${compiled:+HATCH_BUILD_HOOK_ENABLE_CUSTOM=1} "$release/bin/pip" install --quiet --no-deps "$here"
    run "$release/bin/vario" --version
    run touch "$release/.complete"
fi
now=$(readlink "$place/current" || true)
if [ "$now" != "$release" ]; then
    case $now in '' | "$same"*) ;; *) run ln -sfn "$now" "$place/former" ;; esac
    run ln -sfn "$release" "$place/current"
fi
keep=(--data "$data" ${extras:+--extras "$extras"} ${compiled:+--compiled})
if [ -z "$service" ]; then keep+=(--no-service); fi
if [ -n "$dry" ]; then echo "   keep in $place/options: ${keep[*]}"; else printf '%s\n' "${keep[@]}" >"$place/options"; fi
run ln -sfn "$place/current/bin/vario" /usr/local/bin/vario

echo "== Settings and flights"
id vario >/dev/null 2>&1 || run useradd --system --no-create-home --shell /usr/sbin/nologin vario
for group in i2c dialout audio gpio input; do # the last two: knobs
    if getent group $group >/dev/null; then run usermod -aG $group vario; fi
done
run mkdir -p "$data/gliders" "$data/flights"
if [ ! -e "$config" ]; then
    run cp "$here/config/vario.toml" "$config"
    run sed -i 's|^# folder = .*|folder = "flights"|' "$config"
fi
# Knobs and the live page change the settings: the service replaces the file in its folder. Other owners stay.
run chown --from=root vario:vario "$data" "$config" "$data/flights"

if [ -n "$model" ] && [ -e $boot ]; then
    echo "== Board"
    if command -v raspi-config >/dev/null; then
        # A line in config.txt alone gives no /dev/i2c-1: this also loads the module i2c-dev.
        run raspi-config nonint do_i2c 0
        run raspi-config nonint do_serial_cons 1 # no login on the serial line
        run raspi-config nonint do_serial_hw 0
    else
        echo "   no raspi-config here: enable I2C and the serial line as docs/installation.md says"
    fi
    board_line dtparam=i2c_arm_baudrate=400000
    case $sound in
        i2s) board_line dtoverlay=max98357a,no-sdmode ;;
        pwm) board_line dtparam=audio=on; board_line dtoverlay=audremap,pins_18_19 ;;
    esac
fi
echo "== Level of the mixer: 85 %; the volume is set in the settings"
for control in Master PCM Speaker Headphone; do
    run amixer --quiet sset "$control" 85% unmute 2>/dev/null || true # each device has some of them
done
run alsactl store 2>/dev/null || true
set_up_service "$release"
# Only now, because the service may have used one of them until its restart.
for old in "$place"/releases/*; do
    case $old in "$release" | "$(readlink "$place/former" || true)" | "$place/releases/*") ;; *) run rm -rf "$old" ;; esac
done

cat <<EOF2
== Next
${reboot:+   sudo reboot                                           # the board was set up
}   sudo systemctl stop vario                             # two programs on one bus disturb each other
   sudo -u vario vario check --config $config  # lists the chips found; enter them in this file
   sudo systemctl start vario
EOF2
