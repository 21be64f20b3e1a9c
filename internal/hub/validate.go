package hub

import (
	"context"
	"encoding/json"
	"mime"
	"net/http"
	"slices"
)

// maxResource is the largest body of $validate, in bytes.
const maxResource = 4 << 20

// Validator holds a resource in JSON to R4 and to the profiles that are named,
// and gives the OperationOutcome (R4 resource-operation-validate.html), or the
// error of a context that ended first. It keeps nothing.
type Validator func(ctx context.Context, resource []byte, profiles []string) ([]byte, error)

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
	var found []byte
	err = h.limited(r.c.Request.Context(), func(ctx context.Context) error {
		found, err = h.validator(ctx, in.resource, in.profiles)
		return err
	})
	if err != nil {
		return err
	}
	r.c.Writer.Header().Set("Cache-Control", "private, no-store")
	r.write(http.StatusOK, found)
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
	if err != nil || !slices.Contains(offered, media) || !fits(params) || req.Header.Get("Content-Encoding") != "" {
		return nil, faultf(http.StatusUnsupportedMediaType, "not-supported", "the body must be %s in UTF-8, not compressed", fhirJSON)
	}
	return r.readBody(maxResource)
}
