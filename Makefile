# brimline: `make demo` does all set-up and then the main job, `make test` all
# set-up and then every test. Both work on a bare machine with Go, Node and apt.

export CGO_ENABLED ?= 0
VERSION := $(shell git describe --tags --always --dirty 2>/dev/null || echo devel)
LDFLAGS := -s -w -X main.version=$(VERSION)
PAGE    := cmd/brimline/page
DIST    := cmd/brimline/serve/dist
OUT     ?= out/demo
FUZZTIME ?= 30s
# The real server that ingest/influx is tested against.
INFLUXD := out/tools/influxd-1.8.10/influxd
# BOARD=no leaves the emulated board out of the tests; it needs Debian 12's kernel from apt.
BOARD ?= yes
# POWERCUT=no leaves the power cuts out of the tests: they need root and /dev/fuse.
POWERCUT ?= yes

# DuckDB, by which the tests read what export writes; it comes whole in its npm package.
READER  := ingest/exchange/testdata/duckdb

.PHONY: build build-all page reader demo influxd test test-powercut compare-stores card-tools test-board race vet fuzz bench study clean

build: page
	go build -trimpath -ldflags '$(LDFLAGS)' -o bin/brimline ./cmd/brimline

# The page's assets are built, not committed; Go embeds what is in $(DIST).
page: $(DIST)/.built

$(DIST)/.built: $(PAGE)/package-lock.json $(wildcard $(PAGE)/*.json $(PAGE)/*.mjs $(PAGE)/src/*)
	cd $(PAGE) && npm ci --no-audit --no-fund && npm run build
	touch $@

reader: $(READER)/node_modules/.installed

$(READER)/node_modules/.installed: $(READER)/package-lock.json
	cd $(READER) && npm ci --no-audit --no-fund
	touch $@

# Every board the program is meant for: arm 6 and 7, arm64, and the amd64 of a desk.
build-all: page
	GOOS=linux GOARCH=arm GOARM=6 go build -trimpath -ldflags '$(LDFLAGS)' -o bin/brimline-linux-armv6 ./cmd/brimline
	GOOS=linux GOARCH=arm GOARM=7 go build -trimpath -ldflags '$(LDFLAGS)' -o bin/brimline-linux-armv7 ./cmd/brimline
	GOOS=linux GOARCH=arm64 go build -trimpath -ldflags '$(LDFLAGS)' -o bin/brimline-linux-arm64 ./cmd/brimline
	GOOS=linux GOARCH=amd64 go build -trimpath -ldflags '$(LDFLAGS)' -o bin/brimline-linux-amd64 ./cmd/brimline

demo: build
	bin/brimline demo --out $(OUT)

# A minute, three on a slow machine, and never again: tests start it where they need it.
influxd: $(INFLUXD)

$(INFLUXD):
	GOBIN='$(CURDIR)/$(@D)' CGO_ENABLED=0 go install -trimpath -ldflags '-s -w' github.com/influxdata/influxdb/cmd/influxd@v1.8.10

test: page reader vet build-all influxd
	cd $(PAGE) && npm test
	go test -timeout 30m -skip '^TestDemoIntervalsHold$$' ./...
	go test -timeout 30m -v -run '^TestDemoIntervalsHold$$' ./cmd/brimline # by itself, as it prints how often intervals hold
	$(MAKE) race
	$(if $(filter yes,$(POWERCUT)),$(MAKE) test-powercut)
	$(if $(filter yes,$(BOARD)),$(MAKE) test-board)

# What runs on several goroutines at once is also tested under the race detector,
# which needs cgo and a C compiler.
race:
	command -v gcc >/dev/null || { apt-get update && apt-get install -y --no-install-recommends gcc libc6-dev; }
	CGO_ENABLED=1 go test -race -short ./rig ./rig/hx711 ./rig/tca9548a ./rig/outlet ./ingest ./ingest/influx ./cmd/brimline/serve
	CGO_ENABLED=1 go test -race -short -run 'Beside|Readers|Many|Clock|Online' ./ingest/store # the rest of its tests are of one goroutine

# Power cuts, full and failing disks: a memory card of our own (FUSE) under a real ext4,
# mounted where only these tests see it. Installs what it needs with apt.
test-powercut: card-tools
	go vet -tags powercut ./ingest/store/crashtest
	unshare --mount go test -count 1 -tags powercut -v -run 'PowerCut|Card' ./ingest/store/crashtest

card-tools:
	@[ "$$(id -u)" = 0 ] && [ -c /dev/fuse ] || { echo "Power cuts and 'make compare-stores' mount file systems: they need root and /dev/fuse; here the user is $$(id -un) and /dev/fuse is $$([ -c /dev/fuse ] && echo there || echo missing). Run it as root, or leave it out: POWERCUT=no behind 'make test' or 'make bench'"; exit 1; }
	command -v mkfs.ext4 >/dev/null && command -v losetup >/dev/null && command -v unshare >/dev/null || { apt-get update && apt-get install -y --no-install-recommends e2fsprogs mount util-linux; }

# The shipped program on a kernel's own gpio and I2C devices, in an emulated machine;
# installs what it needs with apt.
test-board: page
	hardware/emulated-board/run.sh

vet:
	@unformatted=$$(gofmt -l cmd rig ingest analysis config hardware); if [ -n "$$unformatted" ]; then echo "gofmt would change: $$unformatted"; exit 1; fi
	go vet ./...

# Each fuzz target in turn; a crasher is kept as a seed beside its test.
fuzz:
	@for pkg in $$(go list ./...); do \
		for target in $$(go test -list '^Fuzz' $$pkg | grep '^Fuzz'); do \
			echo "$$pkg $$target"; go test -run '^$$' -fuzz "^$$target$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 20x $$pkg || exit 1; \
		done; \
	done

bench:
	go test -run '^$$' -bench . -benchmem ./...
	$(if $(filter yes,$(POWERCUT)),$(MAKE) compare-stores)

# The same run into brimline's store, SQLite with a row a sample and InfluxDB, each on a
# memory card of our own: prints the table. Root and /dev/fuse, as test-powercut.
compare-stores: influxd card-tools
	unshare --mount go test -tags powercut -run '^$$' -bench Stores ./ingest/store/crashtest

# How far rates, intervals, flags and comparisons keep their word, on thousands of each:
# writes analysis/STUDY.md, and fails when a figure misses its threshold. Half an hour on two cores.
study:
	go run ./cmd/study -code '$(VERSION)' -sps 80,10 -o analysis/STUDY.md coverage flags smaller compare

clean:
	rm -rf bin out $(DIST)/.built
