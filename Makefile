# Short names for the commands of this project. `make ci` is what decides.
GO          ?= go
STATICCHECK ?= honnef.co/go/tools/cmd/staticcheck@v0.8.2

# VERSION=1.2.3 is what `nailbridge version` prints of a release; RELEASED=2027-01-31T12:00:00Z is when it was made.
ldflags = $(if $(VERSION),-ldflags "-X main.version=$(VERSION) -X main.released=$(RELEASED)")

.PHONY: build test race lint oracle oracle-1000 sides demo conformance guide-pictures summary-pictures conformance-pictures chroot image ci

build: ## the release binary, CGO-free
	CGO_ENABLED=0 $(GO) build -trimpath $(ldflags) -o nailbridge ./bridge

test:
	$(GO) test -timeout 60m ./...

race: ## needs a C compiler
	.ci/race

lint:
	@files=$$(git ls-files '*.go' | xargs -r gofmt -l); if [ -n "$$files" ]; then echo "not formatted: $$files"; exit 1; fi
	$(GO) vet ./...
	$(GO) run $(STATICCHECK) ./...

oracle: ## everything we publish, our FHIRPath, units and searches, against outside tools; needs Java 17, Maven, node and npm
	NAILBRIDGE_ORACLE=1 $(GO) test -count=1 -v -timeout 45m -run TestOracle \
		./conformance/oracles/... ./conformance/guide ./conformance/agreement ./conformance/clients ./internal/hub ./internal/fhirpath ./internal/ucum

summary-pictures: ## the summary page of a conversion, measured and shown by a browser, into PAGES; needs chromium and poppler-utils
	$(GO) run ./bridge from-old testdata/old/surgeries.csv --layout testdata/old/surgeries.layout.json --config testdata/settings.json \
		--out $(PAGES) --sharing agreed --basis invented --as-of 2026-01-01 --follow-since never --demo-ids || [ $$? = 1 ]
	$(GO) run ./conformance/guide/pictures --pages $(PAGES) --out $(PAGES)/pictures

oracle-1000: ## our output of 1,000 generated cases, not 100, against all outside references
	NAILBRIDGE_ORACLE=1 NAILBRIDGE_ORACLE_CASES=1000 $(GO) test -count=1 -v -timeout 4h -run TestOracleOutput ./conformance/oracles

sides: ## how many times ours is faster than the Java validator, by the resource and by the whole case
	NAILBRIDGE_ORACLE=1 $(GO) test -run '^$$' -bench SideBySide -benchtime 1x -timeout 1h ./conformance/oracles

demo:
	$(GO) run ./bridge demo

# PAGES is where the guide's pages and their pictures go.
PAGES ?= build/guide

guide-pictures: ## the guide's pages, measured and shown by a browser; needs chromium and poppler-utils
	$(GO) run ./bridge guide --pages $(PAGES)
	$(GO) run ./conformance/guide/pictures --pages $(PAGES) --out $(PAGES)/pictures

conformance: ## holds a running bridge to the requirements in force: TARGET=http://... ARGS='--hub-key ... --clinic ID=FILE --other ID=FILE --yes'
	@$(GO) run ./conformance --target $(TARGET) $(ARGS)

conformance-pictures: ## the suite's report as a page, of a bridge and of a faulty one, measured and shown by a browser, into PAGES
	$(GO) test -count=1 ./conformance/suite -run 'TestAgainstABridge|TestEachFaultFailsItsRows' -args -pages $(abspath $(PAGES))
	$(GO) run ./conformance/guide/pictures --pages $(PAGES) --out $(PAGES)/pictures

chroot: ## the release binary alone in an empty root, as another user; needs root
	.ci/chroot-run

image:
	docker build -t nailbridge .

ci:
	.ci/run
