package main

import (
	"bytes"
	"fmt"
	"os"

	"nailbridge/conformance/guide"
)

// guidePackage is the guide as a FHIR package.
type guidePackage struct {
	Out string `type:"path" help:"File of a FHIR package to write, such as package.tgz; one that is there is not written over."`
}

// write writes the package (https://hl7.org/fhir/packages.html).
func (c guidePackage) write(e *env) error {
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
