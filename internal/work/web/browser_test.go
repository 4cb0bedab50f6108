package web

import (
	"context"
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
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	return ctx
}

// screen is a size of window and the picture of the savings that is seen in it.
type screen struct {
	name          string
	width, height int64
	plot          string
}

// seen is what a browser made of the page.
type seen struct {
	Scroll, Client int64
	Plot           float64 // width of the picture
	Text, Paper    string
}

const lookScript = `({
	Scroll: document.documentElement.scrollWidth, Client: document.documentElement.clientWidth,
	Plot: document.querySelector("PLOT svg").getBoundingClientRect().width,
	Text: document.body.innerText, Paper: getComputedStyle(document.documentElement).backgroundColor,
})`

// look opens the page with the page's own script switched off.
func look(ctx context.Context, t *testing.T, url string, s screen, scheme string) seen {
	t.Helper()
	media := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}
	if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, media); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}); err != nil {
		t.Fatal(err)
	}
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(s.width, s.height), chromedp.Navigate(url)); err != nil {
		t.Fatal(err)
	}
	got, err := chromedp.Run(ctx, chromedp.Evaluate[seen](strings.Replace(lookScript, "PLOT", s.plot, 1)))
	if err != nil {
		t.Fatal(err)
	}
	if dir := os.Getenv("CURETALLY_SHOTS"); dir != "" { // for a person who wants to look as well
		shot, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
		if err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(dir, strings.ReplaceAll(s.name, " ", "-")+"-"+scheme+".png")
		if err := os.WriteFile(file, shot, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return got
}

// The page works in a browser without script, breaks none of its own content
// policy, and fits a phone and a desktop without scrolling sideways.
func TestPageFitsPhoneAndDesktop(t *testing.T) {
	srv := httptest.NewServer(site(t, fixed{overview: alderLane(t)}).Handler())
	t.Cleanup(srv.Close)
	ctx := browser(t)
	var mu sync.Mutex
	var complaints []string // policy breaches, missing files; guarded by mu
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
	for _, s := range []screen{
		{"phone", 390, 844, ".plot-narrow"}, {"small phone", 320, 640, ".plot-narrow"}, {"desktop", 1280, 900, ".plot-wide"},
	} {
		for scheme, paper := range map[string]string{"light": "rgb(244, 239, 227)", "dark": "rgb(23, 25, 26)"} {
			got := look(ctx, t, srv.URL+"/", s, scheme)
			if got.Scroll > got.Client || got.Client != s.width {
				t.Errorf("%s, %s: the page is %d wide on a screen of %d", s.name, scheme, got.Scroll, got.Client)
			}
			if got.Plot == 0 {
				t.Errorf("%s, %s: the plot %s is not seen", s.name, scheme, s.plot)
			}
			if got.Paper != paper {
				t.Errorf("%s, %s: paper is %s, want %s: the style sheet did not apply", s.name, scheme, got.Paper, paper)
			}
			for _, want := range []string{"Alder Lane Labels", "7 varnish", "Change the lamp", "Heron: arc to LED", "no safety function"} {
				if !strings.Contains(got.Text, want) {
					t.Errorf("%s, %s: %q is not on the page", s.name, scheme, want)
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
