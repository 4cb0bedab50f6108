package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"net/http"
	"time"
)

//go:embed templates static
var files embed.FS

// views are the parsed templates and the style sheet.
type views struct {
	overview, problem *template.Template
	style             []byte
	styleTag          string // changes with the content
	styleURL          string
}

func parseViews() (*views, error) {
	style, err := files.ReadFile("static/page.css")
	if err != nil {
		return nil, fmt.Errorf("style sheet: %w", err)
	}
	sum := sha256.Sum256(style)
	tag := hex.EncodeToString(sum[:6])
	v := &views{style: style, styleTag: tag, styleURL: "/static/page.css?v=" + tag}
	for name, into := range map[string]**template.Template{
		"overview.html": &v.overview, "problem.html": &v.problem,
	} {
		t, err := template.New(name).Option("missingkey=error").
			ParseFS(files, "templates/frame.html", "templates/"+name)
		if err != nil {
			return nil, fmt.Errorf("page template: %w", err)
		}
		*into = t
	}
	return v, nil
}

// serveStyle may be kept by the browser for ever when asked for by its tag: new
// content has a new tag.
func (v *views) serveStyle(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/css; charset=utf-8")
	w.Header().Set("ETag", `"`+v.styleTag+`"`)
	w.Header().Set("Cache-Control", "no-cache")
	if r.URL.Query().Get("v") == v.styleTag {
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	http.ServeContent(w, r, "page.css", time.Time{}, bytes.NewReader(v.style))
}

// problemPage tells the reader what happened on a page of the site's look.
func (v *views) problemPage(w http.ResponseWriter, status int, text string) {
	var page bytes.Buffer
	err := v.problem.Execute(&page, problemView{Style: v.styleURL, Status: status, Name: http.StatusText(status), Text: text})
	if err != nil {
		panic("web: problem page: " + err.Error()) // the template uses fields of problemView only; a test renders it
	}
	send(w, status, "text/html; charset=utf-8", page.Bytes())
}

type problemView struct {
	Style  string
	Status int
	Name   string
	Text   string
}

// Title is the document's title.
func (p problemView) Title() string { return p.Name }
