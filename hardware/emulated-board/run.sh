#!/usr/bin/env bash
# Runs the shipped program on real gpio and I2C devices of a Linux kernel, which a
# module with simulated converters gives it, in an emulated machine. Ends with 0 only
# if no wrong value was accepted and enough were. See README.md.
#
#   KEEP=dir   folder for downloads and for the console's log (default: out/emulated-board
#              at the top of the repository)
set -euo pipefail

here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
top=$(cd "$here/../.." && pwd)
keep=${KEEP:-$top/out/emulated-board}
console=$keep/console.log
guest_limit_s=600
step_limit_s=600 # each of the preparing steps

mkdir -p "$keep"
tmp=$(mktemp -d)
qemu_pid=
clean_up() {
	if [[ -n $qemu_pid ]]; then kill "$qemu_pid" 2>/dev/null || true; fi
	rm -rf "$tmp"
}
trap clean_up EXIT
trap 'exit 130' INT TERM

fail() {
	echo "test-board: $*" >&2
	exit 1
}

# quietly WHAT COMMAND...: runs it within the limit and shows its output only if it fails.
quietly() {
	local what=$1
	shift
	timeout "$step_limit_s" "$@" >"$tmp/step.log" 2>&1 || {
		local status=$?
		cat "$tmp/step.log" >&2
		((status != 124)) || fail "$what: not done after $step_limit_s s"
		fail "$what: exit code $status, see above"
	}
}

# The newest kernel of which both headers and image are offered.
newest_kernel() {
	local release
	for release in $(apt-cache search --names-only '^linux-headers-6\.1\.0-[0-9]+-amd64$' |
		sed -E 's/^linux-headers-([^ ]+).*/\1/' | sort -V -r); do
		if apt-cache show "linux-image-$release" >/dev/null 2>&1; then
			echo "$release"
			return
		fi
	done
}

# Shell functions cannot be given to timeout: this is the command in front of apt-get.
as_root=()
if ((EUID != 0)); then as_root=(sudo -n); fi

prepare_packages() {
	release=$(newest_kernel)
	if [[ -z $release ]]; then
		quietly "reading the package lists" "${as_root[@]}" apt-get update
		release=$(newest_kernel)
	fi
	[[ -n $release ]] || fail "apt offers no linux-headers-6.1.0-NN-amd64 with its linux-image: this test needs Debian 12's kernel"
	local missing=()
	command -v qemu-system-x86_64 >/dev/null || missing+=(qemu-system-x86)
	command -v cpio >/dev/null || missing+=(cpio)
	command -v kmod >/dev/null || missing+=(kmod)
	command -v gcc >/dev/null || missing+=(gcc)
	[[ -e /usr/src/linux-headers-$release/Makefile ]] || missing+=("linux-headers-$release")
	((${#missing[@]} == 0)) && return
	echo "test-board: installing ${missing[*]}"
	# The lists may be older than the archive: read them anew and try once more.
	local install=("${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends "${missing[@]}")
	timeout "$step_limit_s" "${install[@]}" >/dev/null 2>&1 || {
		quietly "reading the package lists" "${as_root[@]}" apt-get update
		quietly "installing ${missing[*]}" "${install[@]}"
	}
}

# fetch PACKAGE FOLDER: unpacks it there, without installing. What was fetched once is
# kept by name and version.
fetch() {
	local package=$1 folder=$2 version file
	version=$(apt-cache show --no-all-versions "$package" | sed -n 's/^Version: //p' | head -n 1)
	file=$keep/${package}_${version//[^A-Za-z0-9.+~-]/_}.deb
	if [[ ! -e $file ]]; then
		mkdir "$tmp/fetch"
		(cd "$tmp/fetch" && quietly "fetching $package $version" apt-get download "$package")
		rm -f "$keep/${package}"_*.deb
		mv "$tmp"/fetch/*.deb "$file"
		rmdir "$tmp/fetch"
	fi
	quietly "unpacking $package" dpkg-deb -x "$file" "$folder"
}

build_module() {
	cp -r "$here/module" "$tmp/module"
	quietly "building the module for $release" make -C "/usr/src/linux-headers-$release" M="$tmp/module" modules
}

build_programs() {
	local flags=(-trimpath -ldflags "-s -w -X main.version=test-board")
	quietly "building the program" env -C "$top" CGO_ENABLED=0 GOOS=linux GOARCH=amd64 go build "${flags[@]}" -o "$tmp/tree/bin/" ./cmd/brimline ./hardware/emulated-board/check
}

build_root() {
	local root=$tmp/tree
	mkdir -p "$root/bin" "$root/etc"
	build_programs
	cp "$tmp/busybox/bin/busybox" "$root/bin/"
	cp "$tmp/module/emuboard.ko" "$tmp/kernel/lib/modules/$release/kernel/drivers/i2c/i2c-dev.ko" "$root/"
	cp "$here"/guest/*.toml "$root/etc/"
	cp "$here/guest/phases" "$root/"
	install -m 755 "$here/guest/init" "$root/init"
	(cd "$root" && find . | cpio --quiet -o -H newc -R 0:0 | gzip -1) >"$tmp/initrd.gz"
}

# boot runs the machine, without KVM, so that it runs anywhere. The guest's clock counts
# instructions (2 ns each, about a small board's pace) and skips idle time: how busy the
# machine outside is does not disturb the guest's timing.
boot() {
	timeout "$guest_limit_s" qemu-system-x86_64 -M q35 -accel tcg -icount shift=1,sleep=off -cpu max -smp 1 -m 512 \
		-rtc clock=vm -display none -serial "file:$console" -monitor none -no-reboot -nic none \
		-kernel "$tmp/kernel/boot/vmlinuz-$release" -initrd "$tmp/initrd.gz" \
		-append 'console=ttyS0 quiet panic=-1 mitigations=off' >"$tmp/qemu.log" 2>&1 &
	qemu_pid=$!
	local status=0
	wait "$qemu_pid" || status=$?
	qemu_pid=
	if ((status == 124)); then
		tail -n 40 "$console" >&2
		fail "the emulated machine was not done after $guest_limit_s s; its console is in $console"
	fi
	if ((status != 0)); then
		cat "$tmp/qemu.log" >&2
		fail "qemu ended with $status; the console is in $console"
	fi
}

# table prints the results as the guest told them.
table() {
	awk '
	BEGIN {
		n = split("phase wiring channels accepted settling discarded silent wrong power_downs spoiled slips_read nacks beats", column, " ")
		for (i = 1; i <= n; i++) printf "%s%s", column[i], i < n ? "\t" : "\n"
	}
	$2 == "result" {
		for (i = 3; i <= NF; i++) { split($i, kv, "="); v[kv[1]] = kv[2] }
		for (i = 1; i <= n; i++) printf "%s%s", v[column[i]], i < n ? "\t" : "\n"
	}' "$tmp/board" | column -t -s "$(printf '\t')"
}

prepare_packages
fetch "linux-image-$release" "$tmp/kernel"
fetch busybox-static "$tmp/busybox"
build_module
build_root
boot

tr -d '\r' <"$console" | grep '^board: ' >"$tmp/board" || fail "the guest said nothing; its console is in $console"
table
faults=$(grep -c '^board: fault' "$tmp/board" || true)
results=$(grep -cE '^board: (result|channels)' "$tmp/board" || true)
wanted=$(grep -c '_phase ' "$here/guest/phases")
grep '^board: done' "$tmp/board" >/dev/null || faults=$((faults + 1))
if ((faults > 0 || results < wanted)); then
	grep -E '^board: (fault|note)' "$tmp/board" >&2 || true
	fail "faults: $faults, phases with results: $results of $wanted; the console with all that was said is in $console"
fi
