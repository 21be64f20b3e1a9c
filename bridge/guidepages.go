package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"nailbridge/conformance/guide/pages"
	"nailbridge/conformance/suite"
	"nailbridge/internal/config"
	"nailbridge/internal/convert"
	"nailbridge/internal/searchparam"
	"nailbridge/internal/store"
	"nailbridge/mapping"
	"nailbridge/mapping/terms"
	"nailbridge/testdata"
)

type guidePages struct {
	Pages string `type:"path" placeholder:"DIR" help:"Folder to write the guide's pages (HTML) into; made if it does not exist."`
}

// write makes the pages of the demo clinic and of what is served beside it.
func (c guidePages) write(e *env) error {
	return withDemo(e.ctx, testdata.Records(), func(a *app) error {
		in, err := a.guideInput(e.ctx)
		if err != nil {
			return err
		}
		return c.make(in, e.stdout)
	})
}

// make writes the pages of an input.
func (c guidePages) make(in pages.Input, said io.Writer) error {
	files, err := pages.Make(in)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(c.Pages, 0o755); err != nil {
		return err
	}
	for _, f := range files {
		if err := os.WriteFile(filepath.Join(c.Pages, f.Name), f.HTML, 0o644); err != nil {
			return err
		}
	}
	_, err = fmt.Fprintf(said, "%d pages in %s; begin at %s\n", len(files), c.Pages, filepath.Join(c.Pages, files[0].Name))
	return err
}

// withDemo puts the program together over the demo clinic, in a folder of its own
// and at the instant of its story, with the records taken and every review that is
// overdue by then known. Its store has the same epoch each time: version ids hold it,
// and the ids of Provenances are made of those.
func withDemo(ctx context.Context, records []convert.Input, fn func(*app) error) (err error) {
	dir, err := os.MkdirTemp("", "nailbridge-guide-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	file, err := config.Parse(testdata.Settings())
	if err != nil {
		return err
	}
	now, err := time.Parse(time.RFC3339, testdata.Now)
	if err != nil {
		return err
	}
	e := &env{ctx: ctx, stdout: io.Discard, stderr: io.Discard, clock: func() time.Time { return now }, epoch: func() string { return "demo" }}
	a, err := newApp(e, file, config.DemoNamespace, dir, accessFlags{})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, a.close()) }()
	if err := a.load(e, records, now); err != nil {
		return err
	}
	a.clock = e.clock
	if _, err := a.clinics.Tick(ctx, now); err != nil {
		return err
	}
	return fn(a)
}

// guideInput is what is published now, and the definitions that are served.
func (a *app) guideInput(ctx context.Context) (in pages.Input, err error) {
	s := a.clinics[0].Settings
	in.Terms = s.Terms
	if in.Coverage, err = mapping.Coverage(); err != nil {
		return in, err
	}
	if in.Resources, err = a.published(ctx); err != nil {
		return in, err
	}
	s.Codes = terms.Setting{SnomedCT: terms.Licensed, HCPCS: true} // the pages say which codes leave under less
	definitions, err := a.clinics.artifacts(ctx, s)
	if err != nil {
		return in, err
	}
	for _, d := range definitions {
		in.Artifacts = append(in.Artifacts, pages.Artifact{Name: d.Ref().String(), JSON: d.JSON()})
	}
	in.Requirements, err = requirements()
	return in, err
}

// requirements are those that the conformance suite reports on, with what shows
// each that is in force.
func requirements() (out []pages.Requirement, err error) {
	for _, row := range suite.Rows() {
		r := pages.Requirement{ID: row.ID, Level: row.Level, Section: row.Section, InForce: row.InForce, Asks: row.Asks, Reason: row.Reason}
		if row.InForce {
			by, ok := suite.Shown(row.ID)
			if !ok {
				return nil, fmt.Errorf("guide: nothing shows %s", row.ID)
			}
			r.By = by
		}
		out = append(out, r)
	}
	return out, nil
}

// published are the current versions of everything, as a hub is served them.
func (a *app) published(ctx context.Context) (out [][]byte, err error) {
	err = a.store.View(ctx, func(r store.Reader) error {
		for _, typ := range searchparam.CareTypes() {
			for q := (store.Query{Type: typ, Count: 500, NoTotal: true}); ; {
				page, err := r.Search(q)
				if err != nil {
					return err
				}
				for _, v := range page.Versions {
					out = append(out, v.Body)
					q.After = &store.Key{Seq: v.Seq, Ref: v.Ref}
				}
				if !page.More {
					break
				}
			}
		}
		return nil
	})
	return out, err
}
