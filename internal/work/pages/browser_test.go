package pages

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
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

	"curetally/internal/core/access"
)

// browser starts a headless Chromium that ends with the test.
func browser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatalf("the pages are tested in a real browser: apt-get install chromium: %v", err)
	}
	opts := append(
		chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
		chromedp.WSURLReadTimeout(time.Minute),
	)
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	return ctx
}

// checker is the script of the accessibility checker that deploy/test.sh installs
// below .cache.
func checker(t *testing.T) string {
	t.Helper()
	script, err := os.ReadFile("../../../.cache/axe/node_modules/axe-core/axe.min.js")
	if err != nil {
		t.Fatalf("the accessibility checker is missing: run deploy/test.sh, which installs it, or npm install --ignore-scripts --prefix .cache/axe axe-core@4.10.3: %v", err)
	}
	return string(script)
}

// guarded serves pages under the content policy of the server.
func guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; img-src 'self' data:; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		next.ServeHTTP(w, r)
	})
}

// seen is what a browser made of a page.
type seen struct {
	Scroll, Client int64
	Paper          string
	Wide           string // what sticks out, for a person to find it
}

// lookScript opens everything that can be opened, and measures.
const lookScript = `(() => {
	document.querySelectorAll("details").forEach(d => d.open = true);
	const root = document.documentElement;
	const wide = [...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > root.clientWidth + 1 && !e.closest(".scroll")).slice(0, 3).map(e => e.outerHTML.slice(0, 90));
	return {Scroll: root.scrollWidth, Client: root.clientWidth, Paper: getComputedStyle(root).backgroundColor, Wide: wide.join(" | ")};
})()`

// Source: WCAG 2.2, levels A and AA, by the rules of the checker.
const checkScript = `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).then(r =>
	r.violations.map(v => v.id + ": " + v.help + ": " + v.nodes.slice(0, 3).map(n => n.html.slice(0, 160)).join(" | ")))`

// open opens a page in a window of a size and a scheme.
func open(ctx context.Context, t *testing.T, url string, width int64, scheme string) {
	t.Helper()
	media := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}
	if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, media); err != nil {
		t.Fatal(err)
	}
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 900), chromedp.Navigate(url)); err != nil {
		t.Fatal(err)
	}
}

// Every page fits a phone and a desktop without scrolling sideways with all of its forms
// open, in both schemes; breaks none of its own content policy; and an independent
// checker finds nothing that keeps people out.
func TestPagesFitAndAreAccessible(t *testing.T) {
	srv := httptest.NewServer(guarded(site(t, &alder{}, access.Person{Name: "Dee", Role: access.Engineer})))
	t.Cleanup(srv.Close)
	axe := checker(t)
	ctx := browser(t)
	var mu sync.Mutex
	var complaints []string // policy breaches, missing files; guarded by mu
	err := chromedp.Listen(ctx, func(ev any) {
		if e, ok := ev.(*log.EventEntryAdded); ok {
			mu.Lock()
			defer mu.Unlock()
			complaints = append(complaints, e.Entry.URL+": "+e.Entry.Text)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range everyPage {
		for _, width := range []int64{390, 1400} {
			for scheme, paper := range map[string]string{"light": "rgb(244, 239, 227)", "dark": "rgb(23, 25, 26)"} {
				open(ctx, t, srv.URL+path, width, scheme)
				got, err := chromedp.Run(ctx, chromedp.Evaluate[seen](lookScript))
				if err != nil {
					t.Fatal(err)
				}
				if got.Scroll > got.Client || got.Client != width {
					t.Errorf("%s, %s: the page is %d wide on a screen of %d: %s", path, scheme, got.Scroll, got.Client, got.Wide)
				}
				if got.Paper != paper {
					t.Errorf("%s, %s: paper is %s, want %s: the style sheet did not apply", path, scheme, got.Paper, paper)
				}
				shoot(ctx, t, fmt.Sprintf("page%s-%s-%d", strings.ReplaceAll(path, "/", "-"), scheme, width))
				if (width == 390) != (scheme == "light") {
					continue // each scheme and each width is checked once; a check costs seconds
				}
				violations, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](axe+";"+checkScript, chromedp.EvalAwaitPromise))
				if err != nil {
					t.Fatal(err)
				}
				for _, v := range violations {
					t.Errorf("%s, %s, %d wide: %s", path, scheme, width, v)
				}
			}
		}
	}
	mu.Lock()
	defer mu.Unlock()
	if len(complaints) > 0 {
		t.Errorf("the browser complains: %q", complaints)
	}
}

// shoot takes a picture for a person who wants to look as well.
func shoot(ctx context.Context, t *testing.T, name string) {
	t.Helper()
	dir := os.Getenv("CURETALLY_SHOTS")
	if dir == "" {
		return
	}
	shot, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), shot, 0o644); err != nil {
		t.Fatal(err)
	}
}
