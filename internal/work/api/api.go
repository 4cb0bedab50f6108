package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"mime"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"
)

// Prefix is where the interface is served.
const Prefix = "/api/v1"

// Limits of one request.
const (
	maxBody     = 16 << 10 // bytes; an act of a person is a few lines
	maxDuration = 30 * time.Second
)

// Fault says what is wrong with a request, as far as that is known.
type Fault int

// The faults.
const (
	Internal    Fault = iota // the program's, or the database's
	Unknown                  // something named is not there
	Conflict                 // it contradicts what is on record
	Refused                  // it cannot be done as it was asked for
	Unavailable              // not now, but soon
)

// Options are what an API is built from. All fields are required.
type Options struct {
	Live    Live
	Lamps   Lamps
	Savings Savings
	Records Records

	TaskActs   TaskActs
	LampActs   LampActs
	FigureActs FigureActs
	// Acted is called after each act that is on record, so that what is shown
	// follows.
	Acted func(ctx context.Context)

	// Fault tells what kind of error one from behind the interfaces is. The text
	// of an Internal one is never shown.
	Fault func(error) Fault
	Log   *slog.Logger
}

// API is the interface. Build it with New; it is safe for concurrent use.
type API struct {
	o        Options
	huma     huma.API
	mux      *http.ServeMux
	document []byte
	// ungoverned are acts of which no table says who may do them.
	ungoverned []string

	mu      sync.Mutex
	failing map[string]string // last error by operation, so that a failure is logged once
}

// New builds the interface and its document.
func New(o Options) (*API, error) {
	reads := o.Live != nil && o.Lamps != nil && o.Savings != nil && o.Records != nil
	acts := o.TaskActs != nil && o.LampActs != nil && o.FigureActs != nil && o.Acted != nil
	if !reads || !acts || o.Fault == nil || o.Log == nil {
		return nil, errors.New("api: a field of Options is missing")
	}
	o.Log = o.Log.With("component", "api")
	a := &API{o: o, mux: http.NewServeMux(), failing: map[string]string{}}
	a.huma = humago.NewWithPrefix(a.mux, Prefix, huma.Config{
		OpenAPI: &huma.OpenAPI{
			OpenAPI: "3.1.0",
			Info: &huma.Info{
				Title: "curetally", Version: "1",
				Description: "What curing stations and meters of a site do, its lamps and upkeep, and its measured savings. " +
					"Energy is in the units that the names carry; instants are RFC 3339. The program only reads meters: nothing here switches anything.",
			},
			Servers:    []*huma.Server{{URL: Prefix}},
			Components: &huma.Components{SecuritySchemes: schemes(), Schemas: huma.NewMapRegistry("#/components/schemas/", huma.DefaultSchemaNamer)},
			Tags: []*huma.Tag{
				{Name: "now", Description: "What stations and meters do, and what is wrong."},
				{Name: "upkeep", Description: "Tasks and lamps."},
				{Name: "savings", Description: "Baselines, statements, adjustments."},
				{Name: "records", Description: "Entries and the log of what people did."},
			},
		},
		Formats: map[string]huma.Format{
			"application/json": {Marshal: writeJSON, Unmarshal: json.Unmarshal},
			"json":             {Marshal: writeJSON, Unmarshal: json.Unmarshal}, // of application/problem+json
			"text/csv":         {Marshal: writeCSV},
		},
		DefaultFormat:                "application/json",
		RejectUnknownQueryParameters: true,
	})
	a.huma.UseMiddleware(a.admit)
	a.describeOverview()
	a.now()
	a.tasks()
	a.lamps()
	a.lampActs()
	a.savings()
	a.records()
	a.figureActs()
	if len(a.ungoverned) > 0 {
		return nil, fmt.Errorf("api: package access does not say who may do %v", a.ungoverned)
	}
	doc, err := json.MarshalIndent(a.huma.OpenAPI(), "", "  ")
	if err != nil {
		return nil, fmt.Errorf("api: write the OpenAPI document: %w", err)
	}
	a.document = append(doc, '\n')
	a.mux.HandleFunc("GET "+Prefix+"/openapi.json", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/openapi+json")
		_, _ = w.Write(a.document) // a reader who has left is told nothing
	})
	a.mux.HandleFunc("GET "+Prefix+"/", func(w http.ResponseWriter, _ *http.Request) {
		Problem(w, http.StatusNotFound, "There is nothing here. "+Prefix+"/openapi.json lists what there is.")
	})
	return a, nil
}

// Document is the OpenAPI document in JSON.
func (a *API) Document() []byte { return bytes.Clone(a.document) }

// ServeHTTP answers requests below Prefix.
func (a *API) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), maxDuration)
	defer cancel()
	ctx = context.WithValue(ctx, csvKey{}, wantsCSV(r))
	r = r.WithContext(ctx)
	r.Header.Del("Accept") // what a table is asked for in is in ctx; everything else is JSON
	if q := r.URL.Query(); q.Has("format") {
		q.Del("format") // known to every operation
		r.URL.RawQuery = q.Encode()
	}
	if r.Method != http.MethodGet {
		w.Header().Set("Cache-Control", "no-store")
		a.mux.ServeHTTP(w, r)
		return
	}
	held := &heldAnswer{header: http.Header{}, status: http.StatusOK}
	a.mux.ServeHTTP(held, r)
	maps.Copy(w.Header(), held.header)
	if held.status != http.StatusOK {
		w.Header().Set("Cache-Control", "no-store")
	} else {
		sum := sha256.Sum256(append([]byte(held.header.Get("Content-Type")), held.body.Bytes()...))
		tag := `"` + hex.EncodeToString(sum[:12]) + `"`
		w.Header().Set("ETag", tag)
		w.Header().Set("Cache-Control", "private, no-cache")
		w.Header().Set("Vary", "Accept")
		if knows(r.Header.Values("If-None-Match"), tag) {
			w.Header().Del("Content-Type")
			w.WriteHeader(http.StatusNotModified)
			return
		}
	}
	w.WriteHeader(held.status)
	_, _ = w.Write(held.body.Bytes()) // a reader who has left is told nothing
}

// heldAnswer keeps an answer until its entity tag is known.
type heldAnswer struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (h *heldAnswer) Header() http.Header         { return h.header }
func (h *heldAnswer) WriteHeader(status int)      { h.status = status }
func (h *heldAnswer) Write(b []byte) (int, error) { return h.body.Write(b) }

// knows says whether If-None-Match holds a tag, weak or strong.
func knows(values []string, tag string) bool {
	for part := range strings.SplitSeq(strings.Join(values, ","), ",") {
		if part = strings.TrimPrefix(strings.TrimSpace(part), "W/"); part == tag || part == "*" {
			return true
		}
	}
	return false
}

type csvKey struct{}

// wantsCSV says whether a table is asked for as CSV: by ?format=csv, else by an
// Accept header that names CSV and not JSON.
func wantsCSV(r *http.Request) bool {
	if f := r.URL.Query().Get("format"); f != "" {
		return f == "csv"
	}
	var kinds []string
	for part := range strings.SplitSeq(strings.Join(r.Header.Values("Accept"), ","), ",") {
		if kind, _, err := mime.ParseMediaType(part); err == nil {
			kinds = append(kinds, kind)
		}
	}
	return slices.Contains(kinds, "text/csv") && !slices.Contains(kinds, "application/json")
}

// Problem writes a problem document (RFC 9457).
func Problem(w http.ResponseWriter, status int, detail string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_ = writeJSON(w, &huma.ErrorModel{Status: status, Title: http.StatusText(status), Detail: detail}) // a reader who has left is told nothing
}

func writeJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

// answer turns an error from behind the interfaces into a problem, and notes in
// the log when an operation begins to fail and when it works again.
func (a *API) answer(ctx context.Context, operation string, err error) error {
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		return huma.NewError(http.StatusServiceUnavailable, "The request was given up.")
	}
	if said, ok := errors.AsType[huma.StatusError](err); ok {
		return said
	}
	fault := Internal
	if err != nil {
		fault = a.o.Fault(err)
	}
	a.note(operation, err, fault)
	if err == nil {
		return nil
	}
	switch fault {
	case Unknown:
		return huma.NewError(http.StatusNotFound, err.Error())
	case Conflict:
		return huma.NewError(http.StatusConflict, err.Error())
	case Refused:
		return huma.NewError(http.StatusUnprocessableEntity, err.Error())
	case Unavailable:
		return huma.NewError(http.StatusServiceUnavailable, err.Error())
	default:
		return huma.NewError(http.StatusInternalServerError, "It could not be done. The log of the program names the reason.")
	}
}

func (a *API) note(operation string, err error, fault Fault) {
	text := ""
	if err != nil && fault == Internal {
		text = err.Error()
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	switch was := a.failing[operation]; {
	case was == text || text == "" && err != nil:
	case text == "":
		a.o.Log.Info("answered again", "operation", operation)
		delete(a.failing, operation)
	default:
		a.o.Log.Error("could not answer", "operation", operation, "err", err)
		a.failing[operation] = text
	}
}

// describeOverview puts the document of the pages, which package web serves,
// beside the rest.
func (a *API) describeOverview() {
	a.huma.OpenAPI().AddOperation(&huma.Operation{
		OperationID: "get-overview", Method: http.MethodGet, Path: "/overview", Tags: []string{"now"}, Security: signedIn(),
		Summary: "What the overview page shows", Description: "All of the page in one document.",
		Responses: map[string]*huma.Response{
			"200": {Description: "The overview.", Content: map[string]*huma.MediaType{"application/json": {Schema: &huma.Schema{Type: huma.TypeObject}}}},
			"401": {Description: "Nobody is signed in.", Content: map[string]*huma.MediaType{"application/problem+json": {Schema: &huma.Schema{Ref: "#/components/schemas/ErrorModel"}}}},
			"500": {Description: "It could not be made.", Content: map[string]*huma.MediaType{"application/json": {Schema: &huma.Schema{Type: huma.TypeObject}}}},
		},
	})
}
