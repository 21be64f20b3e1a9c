# An image with one static binary and nothing else: no shell, no C library, no package manager.
# Zone data is inside the binary (it imports time/tzdata), because an empty image has none.
#
#   docker build -t nailbridge .        (--build-arg VERSION=1.2.3 --build-arg RELEASED=2027-01-31T12:00:00Z for a release)
#   docker run --network host -v nailbridge-data:/data nailbridge
#
# Without keys and TLS the bridge listens on the loopback address only, so the container of the demo shares the host's
# network instead of publishing a port.
FROM golang:1.26 AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download
COPY . .
ARG VERSION RELEASED
RUN CGO_ENABLED=0 go build -trimpath ${VERSION:+-ldflags "-X main.version=$VERSION -X main.released=$RELEASED"} -o /out/nailbridge ./bridge \
    && mkdir -m 700 /out/data

FROM scratch
COPY --from=build /out/nailbridge /nailbridge
COPY --from=build --chown=65534:65534 /out/data /data
USER 65534:65534
VOLUME /data
ENTRYPOINT ["/nailbridge"]
CMD ["demo", "--data", "/data"]
