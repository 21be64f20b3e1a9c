package main

import (
	"bytes"
	"fmt"
	"os"

	"nailbridge/conformance/guide"
)

type guideCommand struct {
	Out string `required:"" type:"path" help:"File to write, such as package.tgz; one that is there is not written over."`
}

// Run writes the guide as a FHIR package (https://hl7.org/fhir/packages.html).
func (c guideCommand) Run(e *env) error {
	var b bytes.Buffer
	if err := guide.Write(&b); err != nil {
		return err
	}
	f, err := os.OpenFile(c.Out, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(b.Bytes())
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err == nil {
		_, err = fmt.Fprintf(e.stdout, "%s %s, %d bytes\n", guide.PackageID, guide.Version, b.Len())
	}
	return err
}
