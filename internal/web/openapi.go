package web

import (
	"encoding/json"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
)

const openAPIPath = "/api/v1/openapi.json"

// document is the description of the API (OpenAPI 3.1.1), made from operations
// and from the Go values they read and write. It also knows what is routed, so
// that a test can hold one against the other.
type document struct {
	server *server
	served []string // patterns below /api/v1 and beside it: "GET /healthz"
	text   func() []byte
}

func newDocument(s *server) *document {
	d := &document{server: s, served: []string{http.MethodGet + " " + openAPIPath}}
	d.text = sync.OnceValue(func() []byte {
		body, err := json.MarshalIndent(describe(s.Version), "", " ")
		if err != nil {
			panic("BUG: the description of the API has no JSON: " + err.Error())
		}
		return append(body, '\n')
	})
	return d
}

// ServeHTTP answers with the document.
func (d *document) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	d.server.send(w, r, http.StatusOK, mediaJSON, d.text())
}

func (d *document) route(mux *http.ServeMux) {
	mux.Handle(http.MethodGet+" "+openAPIPath, d)
	refuseOthers(mux, openAPIPath, []string{http.MethodGet, http.MethodHead})
}

// documentOf finds the document in the routes that it is one of.
func documentOf(mux *http.ServeMux) *document {
	r, err := http.NewRequest(http.MethodGet, openAPIPath, nil)
	if err != nil {
		panic("BUG: " + err.Error())
	}
	h, _ := mux.Handler(r)
	d, _ := h.(*document)
	return d
}

// note notes what is routed, where it is for programs.
func (d *document) note(path string, by methods) {
	if d == nil || !strings.HasPrefix(path, "/api/") && path != "/healthz" && path != "/metrics" {
		return
	}
	for method := range by {
		d.served = append(d.served, method+" "+path)
	}
}

// object is a JSON object. Its members are written in the order of their names.
type object = map[string]any

// describe makes the document.
func describe(version string) object {
	s := &schemas{named: object{}}
	paths := object{}
	for _, o := range operations() {
		item, _ := paths[o.path].(object)
		if item == nil {
			item = object{}
			paths[o.path] = item
		}
		item[strings.ToLower(o.method)] = s.operation(&o)
	}
	s.of(Problem{}, false)
	return object{
		"openapi": "3.1.1",
		"info": object{
			"title": "dryhold", "version": version,
			"description": "What is in store, what it has left and what threatens it. Numbers are in the unit that their name ends with, instants are those of RFC 3339, days those of the zone of the site. " +
				"Quality is not safety: when in doubt throw it out; your local food-safety authority goes before all of this.",
			"license": object{"name": "See the file LICENSE"},
		},
		"servers": []any{object{"url": "/"}},
		"tags":    []any{tag("house"), tag("lots"), tag("packing"), tag("rooms"), tag("sensors"), tag("alarms"), tag("review")},
		"paths":   paths,
		"components": object{
			"schemas": s.named,
			"securitySchemes": object{
				"token":   object{"type": "http", "scheme": "bearer", "description": "A token of http.tokens in the configuration, whose scope is read, keep or admin; each covers those before it."},
				"session": object{"type": "apiKey", "in": "cookie", "name": "dryhold_session", "description": "Who is logged in on the page. Over TLS its name begins with __Host-."},
			},
			"responses": object{"problem": object{
				"description": "Why it was not done, and how to mend it (RFC 9457).",
				"content":     object{"application/problem+json": object{"schema": object{"$ref": schemasPath + "Problem"}}},
			}},
			"headers":    headers(),
			"parameters": parameters(),
		},
	}
}

func tag(name string) object { return object{"name": name} }

func headerOf(says string) object {
	return object{"schema": object{"type": "string"}, "description": says}
}

// headers are those of answers.
func headers() object {
	return object{
		"ETag":     headerOf("What the body is known by: shown in If-None-Match, it is not sent again. The compressed form has another."),
		"Link":     headerOf("The page after this one (RFC 8288), where there is one: <...>; rel=\"next\"."),
		"Location": headerOf("Where it is found from now on."),
	}
}

// parameters are those of the header of a request, beside the query.
func parameters() object {
	header := func(name, says string) object {
		return object{"name": name, "in": "header", "description": says, "schema": object{"type": "string", "maxLength": maxKey}}
	}
	return object{
		"If-None-Match":   header("If-None-Match", "The entity tag of what is there already."),
		"If-Match":        header("If-Match", "The entity tag of the lot as it was seen, of GET /api/v1/lots/{id}: 412 where something was done to it since. Of the tag only what stands before the dot is compared, since what a lot has left moves by the hour."),
		"Idempotency-Key": header("Idempotency-Key", "A name of the request, such as a random UUID in quotes: sent again within 48 hours it is answered as the first time and not done again (draft-ietf-httpapi-idempotency-key-header). Refusals are not kept: nothing was done."),
	}
}

func (s *schemas) operation(o *operation) object {
	x := object{"operationId": o.id, "summary": o.summary, "tags": []any{o.tag}, "responses": s.responses(o)}
	var in []any
	header := func(has bool, name string) {
		if has {
			in = append(in, object{"$ref": "#/components/parameters/" + name})
		}
	}
	header(o.edits(), "Idempotency-Key")
	header(o.ofLot(), "If-Match")
	header(o.tagged(), "If-None-Match")
	for part := range strings.SplitSeq(o.path, "/") {
		if name, is := strings.CutPrefix(part, "{"); is {
			in = append(in, object{"name": strings.TrimSuffix(name, "}"), "in": "path", "required": true, "schema": object{"type": "string", "minLength": 1}})
		}
	}
	for _, p := range o.query {
		in = append(in, object{"name": p.name, "in": "query", "description": p.says, "schema": p.schema()})
	}
	if in != nil {
		x["parameters"] = in
	}
	if o.body != nil {
		x["requestBody"] = object{"required": true, "content": object{mediaJSON: object{"schema": s.of(o.body, true)}}}
	}
	if !o.open() {
		x["security"] = []any{object{"token": []any{string(o.scope())}}, object{"session": []any{}}}
	}
	return x
}

func (p *parameter) schema() object {
	switch p.is {
	case "date", "date-time":
		return object{"type": "string", "format": p.is}
	case "integer":
		least := 1
		if p.name == "skip" || p.name == "import" {
			least = 0
		}
		return object{"type": "integer", "minimum": least, "maximum": p.most}
	}
	return object{"type": p.is}
}

func (s *schemas) responses(o *operation) object {
	out := object{}
	for _, status := range o.statuses() {
		switch {
		case status == http.StatusNotModified:
			out["304"] = object{"description": "It is as it was.", "headers": refs("ETag")}
		case status == o.success() || status == o.also:
			x := object{"description": http.StatusText(status)}
			if c := s.content(o); c != nil {
				x["content"] = c
			}
			var has []string
			if o.tagged() {
				has = append(has, "ETag")
			}
			if o.located != nil {
				has = append(has, "Location")
			}
			if slices.ContainsFunc(o.query, func(p parameter) bool { return p.name == "cursor" }) {
				has = append(has, "Link")
			}
			if has != nil {
				x["headers"] = refs(has...)
			}
			out[strconv.Itoa(status)] = x
		default:
			out[strconv.Itoa(status)] = object{"$ref": "#/components/responses/problem"}
		}
	}
	return out
}

func refs(names ...string) object {
	out := object{}
	for _, n := range names {
		out[n] = object{"$ref": "#/components/headers/" + n}
	}
	return out
}

// content is what an answer is.
func (s *schemas) content(o *operation) object {
	switch {
	case o.media == mediaReport:
		return object{mediaText: object{}, mediaJSON: object{}, "text/csv": object{}, "text/html": object{}, mediaPDF: object{}}
	case o.answer == nil && o.media == "":
		return nil
	case o.answer == nil:
		return object{o.media: object{}}
	case o.media != "":
		return object{o.media: object{"schema": s.of(o.answer, false)}}
	}
	return object{mediaJSON: object{"schema": s.of(o.answer, false)}}
}

// sortedKeys are those of a map, in order.
func sortedKeys[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }
