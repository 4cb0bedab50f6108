package page

import (
	"bytes"
	"context"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/chromedp"

	"curetally/internal/core/dossier"
	"curetally/internal/core/dossier/dossiertest"
	"curetally/internal/link/report/words"
)

var update = flag.Bool("update", false, "write the golden files anew")

func written(t *testing.T, d dossier.Dossier, lang string) []byte {
	t.Helper()
	w, err := words.New(lang)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := Write(&out, d, w); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func TestPageIsTheGoldenOne(t *testing.T) {
	for i, lang := range []string{"en", "de"} {
		d := dossiertest.Whole(t, dossiertest.Cases()[2*i])
		got := written(t, d, lang)
		if !bytes.Equal(got, written(t, d, lang)) {
			t.Fatalf("%s: written again the page differs", lang)
		}
		file := filepath.Join("testdata", "report-"+lang+".html")
		if *update {
			if err := os.WriteFile(file, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s differs from the page; look at both, then run the test with -update", file)
		}
	}
}

// Every dossier makes a page whose marks close, without script, and without a
// placeholder that something was forgotten in.
func TestPageOfEveryCase(t *testing.T) {
	all := map[string]dossier.Dossier{"survey": dossiertest.Surveyed(t)}
	for _, c := range dossiertest.Cases() {
		all[c.Name] = dossiertest.New(t, c)
	}
	for name, d := range all {
		got := written(t, d, "de")
		for _, bad := range []string{"<script", "NaN", "%!", "Inf", "ZgotmplZ", "http://", "https://"} {
			if i := bytes.Index(bytes.ReplaceAll(got, []byte(`xmlns="http://www.w3.org/2000/svg"`), nil), []byte(bad)); i >= 0 {
				t.Errorf("%s: %q is on the page", name, bad)
			}
		}
		dec := xml.NewDecoder(bytes.NewReader(got))
		dec.Strict, dec.AutoClose, dec.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
		for {
			_, err := dec.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
	}
}

// What people wrote is text, never markup.
func TestTextsOfPeopleAreEscaped(t *testing.T) {
	d := dossiertest.New(t, dossiertest.Cases()[0])
	d.Project.Title = `<script>alert("x")</script>`
	if got := written(t, d, "en"); bytes.Contains(got, []byte("<script")) || !bytes.Contains(got, []byte("&lt;script&gt;alert(&#34;x&#34;)")) {
		t.Error("a title became an element")
	}
}

// seen is what a browser made of the page.
type seen struct {
	Scroll, Client, Drawn int64
	Text                  string
}

const lookScript = `({
	Scroll: document.documentElement.scrollWidth, Client: document.documentElement.clientWidth,
	Drawn: [...document.querySelectorAll("svg")].filter(s => s.getBoundingClientRect().width > 0).length,
	Text: document.body.innerText,
})`

// The page fits a phone and a desktop without scrolling sideways, in light and dark,
// shows each plot once, and the browser has nothing to complain of.
func TestPageInABrowser(t *testing.T) {
	file := filepath.Join(t.TempDir(), "report.html")
	if err := os.WriteFile(file, written(t, dossiertest.Whole(t, dossiertest.Cases()[0]), "en"), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx := browser(t)
	var mu sync.Mutex
	var complaints []string // guarded by mu
	err := chromedp.Listen(ctx, func(ev any) {
		if e, ok := ev.(*log.EventEntryAdded); ok {
			mu.Lock()
			defer mu.Unlock()
			complaints = append(complaints, e.Entry.Text)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, width := range []int64{390, 1400} {
		for _, scheme := range []string{"light", "dark"} {
			media := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}
			if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, media); err != nil {
				t.Fatal(err)
			}
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate("file://"+file)); err != nil {
				t.Fatal(err)
			}
			got, err := chromedp.Run(ctx, chromedp.Evaluate[seen](lookScript))
			if err != nil {
				t.Fatal(err)
			}
			if got.Scroll > got.Client || got.Client != width {
				t.Errorf("%s: the page is %d wide on a screen of %d", scheme, got.Scroll, width)
			}
			if got.Drawn != 6 {
				t.Errorf("%d wide, %s: %d plots are seen, want 6", width, scheme, got.Drawn)
			}
			for _, want := range []string{"Alder Lane Labels", "It avoided", "day and night", "cooling avoided", "Figures behind this plot"} {
				if !strings.Contains(got.Text, want) {
					t.Errorf("%d wide, %s: %q is not on the page", width, scheme, want)
				}
			}
			picture(ctx, t, fmt.Sprintf("report-%d-%s.png", width, scheme))
		}
	}
	mu.Lock()
	defer mu.Unlock()
	if len(complaints) > 0 {
		t.Errorf("the browser complains: %s", strings.Join(complaints, "; "))
	}
}

// picture is for a person who wants to look as well.
func picture(ctx context.Context, t *testing.T, name string) {
	t.Helper()
	dir := os.Getenv("CURETALLY_SHOTS")
	if dir == "" {
		return
	}
	shot, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name), shot, 0o644); err != nil {
		t.Fatal(err)
	}
}

// browser starts a headless Chromium that ends with the test.
func browser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatalf("the report is looked at in a real browser: apt-get install chromium: %v", err)
	}
	opts := append(
		chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
		chromedp.WSURLReadTimeout(time.Minute),
	)
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	return ctx
}
