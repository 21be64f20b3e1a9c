package hub

import (
	"bytes"
	"encoding/json"
	"errors"
	"mime"
	"net/http"
	"slices"
	"strings"
)

// maxResource is the largest body of $validate, in bytes.
const maxResource = 4 << 20

// Validator holds a resource in JSON to R4 and to the profiles that are named,
// and gives the OperationOutcome (R4 resource-operation-validate.html). It keeps
// nothing.
type Validator func(resource []byte, profiles []string) []byte

// validate answers POST [type]/$validate: 200 with what was found, whether the
// resource is valid or not. The body is the resource, or Parameters with the
// resource in it.
func (h *hub) validate(r *request) error {
	typ := r.c.Param("type")
	if !searched(typ) {
		return errType
	}
	if err := r.only("profile", "mode"); err != nil {
		return err
	}
	body, err := r.readResource()
	if err != nil {
		return err
	}
	profile, err := r.one("profile")
	if err != nil {
		return err
	}
	mode, err := r.one("mode")
	if err != nil {
		return err
	}
	in := validation{resource: body, mode: mode}
	if profile != "" {
		in.profiles = []string{profile}
	}
	if err := in.unwrap(typ); err != nil {
		return err
	}
	if !slices.Contains([]string{"", "create", "update", "profile"}, in.mode) {
		return faultf(http.StatusBadRequest, "not-supported", "mode may be create, update or profile: nothing is written or deleted here")
	}
	r.c.Writer.Header().Set("Cache-Control", "private, no-store")
	r.write(http.StatusOK, h.validator(in.resource, in.profiles))
	return nil
}

// validation is what is asked of $validate.
type validation struct {
	resource []byte
	profiles []string
	mode     string
}

// unwrap takes the resource out of Parameters, where it came in them, and holds
// its type to that of the path. What is no JSON is left to the validator.
func (v *validation) unwrap(typ string) error {
	var p struct {
		ResourceType string
		Parameter    []struct {
			Name      string
			Resource  json.RawMessage
			ValueURI  string `json:"valueUri"`
			ValueCode string
		}
	}
	if json.Unmarshal(v.resource, &p) != nil {
		return nil
	}
	if p.ResourceType == "Parameters" && typ != "Parameters" {
		v.resource = nil
		for _, x := range p.Parameter {
			switch x.Name {
			case "resource":
				v.resource = x.Resource
			case "profile":
				v.profiles = append(v.profiles, x.ValueURI)
			case "mode":
				v.mode = x.ValueCode
			}
		}
		if v.resource == nil {
			return faultf(http.StatusBadRequest, "required", "Parameters without a resource")
		}
		p.ResourceType = ""
		_ = json.Unmarshal(v.resource, &p)
	}
	if p.ResourceType != "" && p.ResourceType != typ {
		return faultf(http.StatusBadRequest, "invalid", "the resource is not of the type that the path names")
	}
	return nil
}

// readResource reads a body of FHIR JSON (http.html#mime-type).
func (r *request) readResource() ([]byte, error) {
	req := r.c.Request
	media, params, err := mime.ParseMediaType(req.Header.Get("Content-Type"))
	charset := strings.ToLower(params["charset"])
	if err != nil || media != fhirJSON && media != "application/json" && media != "text/json" || charset != "" && charset != "utf-8" ||
		!isVersion(params["fhirversion"]) || req.Header.Get("Content-Encoding") != "" {
		return nil, faultf(http.StatusUnsupportedMediaType, "not-supported", "the body must be %s in UTF-8, not compressed", fhirJSON)
	}
	var body bytes.Buffer
	if _, err := body.ReadFrom(http.MaxBytesReader(r.c.Writer, req.Body, maxResource)); err != nil {
		var tooLarge *http.MaxBytesError
		if errors.As(err, &tooLarge) {
			return nil, faultf(http.StatusRequestEntityTooLarge, "too-long", "the body may have at most %d bytes", maxResource)
		}
		return nil, faultf(http.StatusBadRequest, "invalid", "the body could not be read")
	}
	return body.Bytes(), nil
}
