package guide

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"path"
)

// Write writes the guide as a FHIR package, a gzipped tar of a folder "package"
// with a manifest, an index and the resources, the examples in a folder of their
// own (https://hl7.org/fhir/packages.html). The same program writes the same bytes.
func Write(w io.Writer) error {
	all, err := Artifacts()
	if err != nil {
		return err
	}
	var definitions, samples []Artifact
	for _, a := range all {
		if a.Example {
			samples = append(samples, a)
		} else {
			definitions = append(definitions, a)
		}
	}
	z, err := gzip.NewWriterLevel(w, gzip.BestCompression)
	if err != nil {
		return err
	}
	p := packager{tar: tar.NewWriter(z)}
	p.add("package/package.json", indented(manifest()))
	p.folder("package", definitions)
	p.folder("package/example", samples)
	if p.err == nil {
		p.err = p.tar.Close()
	}
	if p.err != nil {
		return p.err
	}
	return z.Close()
}

// manifest is package.json. It has no url: the guide is on no site, the pages are
// written by the program.
func manifest() map[string]any {
	return map[string]any{
		"name": PackageID, "version": Version, "canonical": Canonical, "title": title, "type": "IG",
		"description":  "The resources that Nailbridge publishes: profiles, terminology, protocols, search parameters and examples.",
		"author":       "Nailbridge",
		"license":      "Apache-2.0",
		"fhirVersions": []string{"4.0.1"}, "dependencies": map[string]any{"hl7.fhir.r4.core": "4.0.1"},
		"date": Published.Format("20060102150405"),
	}
}

// indexEntry is what .index.json says of one file.
type indexEntry struct {
	Filename     string `json:"filename"`
	ResourceType string `json:"resourceType"`
	ID           string `json:"id"`
	URL          string `json:"url,omitempty"`
	Version      string `json:"version,omitempty"`
	Kind         string `json:"kind,omitempty"`
	Type         string `json:"type,omitempty"`
	Content      string `json:"content,omitempty"`
}

// packager writes files until one fails.
type packager struct {
	tar *tar.Writer
	err error
}

func (p *packager) folder(name string, all []Artifact) {
	var index struct {
		IndexVersion int          `json:"index-version"`
		Files        []indexEntry `json:"files"`
	}
	index.IndexVersion = 2
	for _, a := range all {
		index.Files = append(index.Files, indexEntry{a.Name, a.ResourceType, a.ID, a.URL, a.Head.Version, a.Kind, a.Type, a.Content})
	}
	p.add(path.Join(name, ".index.json"), indented(index))
	for _, a := range all {
		var b bytes.Buffer
		if err := json.Indent(&b, a.JSON, "", "  "); err != nil && p.err == nil {
			p.err = err
		}
		p.add(path.Join(name, a.Name), append(bytes.TrimSpace(b.Bytes()), '\n'))
	}
}

func (p *packager) add(name string, text []byte) {
	if p.err != nil {
		return
	}
	p.err = p.tar.WriteHeader(&tar.Header{Name: name, Mode: 0o644, Size: int64(len(text)), ModTime: Published, Typeflag: tar.TypeReg, Format: tar.FormatUSTAR})
	if p.err == nil {
		_, p.err = p.tar.Write(text)
	}
}

// indented writes maps and structs of ours, which cannot fail.
func indented(v any) []byte {
	b, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		panic("guide: " + err.Error())
	}
	return append(b, '\n')
}
