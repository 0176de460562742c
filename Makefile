# Every target works on a fresh Debian with Go, make and git: what is missing is
# installed when you are root, else the line to run is printed.

SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := help
.DELETE_ON_ERROR:
MAKEFLAGS += --no-print-directory

NEED := deploy/dev/need.sh
# What "make bench" runs.
BENCH ?= go run ./internal/bench
# Packages whose tests take longest begin first, so that none of them is left over at the
# end with a core idle beside it; each runs once.
LONGEST := ./internal/app ./internal/web ./internal/eventlog ./deploy
# How long "make fuzz" gives each target.
FUZZTIME ?= 10s

.PHONY: help
help: ## print this list
	@grep -E '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## (.*)/\1|\2/' | awk -F'|' '{printf "make %-10s %s\n", $$1, $$2}'

.PHONY: demo
demo: ## build custodyd and run the demo until Ctrl-C; it prints its address
	@echo "building custodyd; the first build takes about two minutes"
	@mkdir -p .bin && go build -o .bin/custodyd ./cmd/custodyd
	@exec .bin/custodyd --demo

# Long tests whose time is that of a browser, of pictures, of a disk or of programs in
# processes of their own, and one of a rate. They run without the race detector: what of
# ours runs side by side in them, shorter tests beside them run with it.
PLAIN = ^(TestAMorningAtTheHatch|TestSoakADayWithKills|TestSoakEveryCutInAStart|TestThreePhonesPlayADay|TestAListIsStartedWholeAndARackWithoutNetwork|TestAxe|TestScripts|TestDowntimeSheetIsReadBack|TestPrintedLabelsAreReadBack|TestTwoThousandUpdatesASecond|TestCameraReads|TestCameraReadsTurned)$$

.PHONY: test
test: ## vet and run all tests, with the race detector but for a few long ones, browser tests included
	@$(NEED) gcc gcc libc6-dev
	@$(NEED) "$${CHROMIUM:-chromium}" chromium fonts-liberation
	@$(NEED) pdftoppm poppler-utils
	@$(NEED) promtool prometheus
	@$(NEED) systemd-analyze systemd
	go vet ./...
	go test -race -timeout 20m -skip '$(PLAIN)' $(LONGEST) ./...
	go test -timeout 15m -run '$(PLAIN)' ./internal/app ./internal/web ./cmd/scan

.PHONY: lint
lint: .bin/golangci-lint .bin/npm/ready ## check format, lint and the types of scripts (the linter's first build takes three to four minutes)
	@bad=$$(find cmd deploy internal proto -name '*.go' | xargs gofmt -l); [ -z "$$bad" ] || { echo "not formatted; run gofmt -w on:"; echo "$$bad"; exit 1; }
	deploy/dev/types.sh .bin/npm/node_modules/.bin/tsc
	.bin/golangci-lint run ./...

.PHONY: generate
generate: generators ## make the Go code and the API description from proto/
	@deploy/dev/generate.sh

.PHONY: generated
generated: generators ## fail when the generated files are not what proto/ gives
	@deploy/dev/generate.sh check

.PHONY: vuln
vuln: .bin/govulncheck .bin/indexdb ## fail on known vulnerabilities that our code reaches
	@deploy/dev/vuln.sh

.PHONY: release
release: .bin/cyclonedx-gomod ## build the programs of the images and list what each is made of, into .bin/release
	@deploy/dev/sbom.sh

.PHONY: fuzz
fuzz: ## run each fuzz target for FUZZTIME (10s)
	@deploy/dev/fuzz.sh $(FUZZTIME)

.PHONY: bench
bench: ## run the benchmarks
	$(BENCH)

.PHONY: soak
soak: ## run the long tests, up to four hours
	SOAK=1 go test -run Soak -timeout 4h -v ./internal/...
	STORIES=all go test -run TestStories -timeout 1h ./internal/app

.PHONY: clean
clean: ## remove built programs and scratch files
	rm -rf .bin

.PHONY: generators
generators: .bin/protoc-gen-go .bin/protoc-gen-go-grpc .bin/protoc-gen-grpc-gateway .bin/protoc-gen-openapiv2
	@$(NEED) protoc protobuf-compiler libprotobuf-dev
	@$(NEED) /usr/include/google/protobuf/timestamp.proto libprotobuf-dev

# Tools are pinned in a module of their own, so that they weigh on nobody who
# builds the product.
.bin/protoc-gen-go: TOOL := google.golang.org/protobuf/cmd/protoc-gen-go
.bin/protoc-gen-go-grpc: TOOL := google.golang.org/grpc/cmd/protoc-gen-go-grpc
.bin/protoc-gen-grpc-gateway: TOOL := github.com/grpc-ecosystem/grpc-gateway/v2/protoc-gen-grpc-gateway
.bin/protoc-gen-openapiv2: TOOL := github.com/grpc-ecosystem/grpc-gateway/v2/protoc-gen-openapiv2
.bin/golangci-lint: TOOL := github.com/golangci/golangci-lint/v2/cmd/golangci-lint
.bin/govulncheck: TOOL := golang.org/x/vuln/cmd/govulncheck
.bin/indexdb: TOOL := golang.org/x/vulndb/cmd/indexdb
.bin/cyclonedx-gomod: TOOL := github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod

# What npm brings goes by the lock file, whole and with its hashes. It is copied, so
# that nothing is written where the tools are pinned.
.bin/npm/ready: tools/package.json tools/package-lock.json tools/.npmrc
	@$(NEED) npm nodejs npm
	@echo "installing the type checker (once)"
	@rm -rf .bin/npm && mkdir -p .bin/npm && cp tools/package.json tools/package-lock.json tools/.npmrc .bin/npm/
	@cd .bin/npm && npm ci --ignore-scripts --no-audit --no-fund --loglevel=error
	@touch $@

.bin/%: tools/go.mod tools/go.sum
	@echo "building $(@F) (once)"
	@mkdir -p .bin && go build -C tools -o ../$@ $(TOOL)
