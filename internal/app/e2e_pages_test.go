package app_test

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// worksInBrowser does in a browser what a planner and an engineer do, on the history
// of the demo in a real database: find a task, mark it done, see its date move, take
// that back; freeze a baseline; fetch the workbook.
func worksInBrowser(t *testing.T, url string) {
	t.Helper()
	ctx := chromium(t)
	taskDoneAndBack(ctx, t, url)
	send(ctx, t, url+"/savings", `form[action="/savings/freeze"]`, map[string]string{"by": "Ann", "reason": "the driver was named anew"})
	if text := body(ctx, t); !strings.Contains(text, "baseline version 2 of heron-led frozen by Ann") {
		t.Errorf("after freezing the page says:\n%s", text)
	}
	status, file := fetch(t, url+"/savings/heron-led/xlsx")
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if status != http.StatusOK || err != nil || len(z.File) < 5 {
		t.Errorf("the workbook: status %d, %d bytes, %v", status, len(file), err)
	}
	visit(ctx, t, url+"/audit")
	for _, want := range []string{"Ann", "heron-led", "wrong station"} {
		if text := body(ctx, t); !strings.Contains(text, want) {
			t.Errorf("the log does not say %q", want)
		}
	}
}

// chromium starts a headless browser that ends with the test.
func chromium(t *testing.T) context.Context {
	t.Helper()
	opts := append(
		chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(tool(t, "chromium", "chromium")), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.UserDataDir(t.TempDir()),
		chromedp.WSURLReadTimeout(time.Minute),
	)
	ctx, cancel := context.WithTimeout(t.Context(), 2*patience)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, opts...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	return ctx
}

func visit(ctx context.Context, t *testing.T, url string) {
	t.Helper()
	if err := chromedp.Do(ctx, chromedp.Navigate(url)); err != nil {
		t.Fatal(err)
	}
}

// body is what a person can read on the page.
func body(ctx context.Context, t *testing.T) string {
	t.Helper()
	text, err := chromedp.Run(ctx, chromedp.Evaluate[string](`document.body.innerText`))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// send opens a page, opens the first form that fits as a person does, fills it, sends it
// and waits for the page that answers.
func send(ctx context.Context, t *testing.T, url, form string, fields map[string]string) {
	t.Helper()
	steps := []chromedp.Action[chromedp.Void]{chromedp.Navigate(url), chromedp.Evaluate[chromedp.Void](`document.querySelector('` + form + `').closest("details").querySelector("summary").click()`)}
	for name, value := range fields {
		steps = append(steps, chromedp.SendKeys(form+` [name="`+name+`"]`, value))
	}
	if err := chromedp.Do(ctx, steps...); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.RunResponse(ctx, chromedp.Click(form+" button")); err != nil {
		t.Fatal(err)
	}
}

// taskDoneAndBack marks the first task done, sees its date move, and takes that back.
func taskDoneAndBack(ctx context.Context, t *testing.T, url string) {
	const done = `.task-overdue form[action="/work/done"]`
	visit(ctx, t, url+"/work")
	type named struct{ Rule, Subject string }
	task, err := chromedp.Run(ctx, chromedp.Evaluate[named](`(f => ({Rule: f.elements.rule.value, Subject: f.elements.subject.value}))(document.querySelector('`+done+`'))`))
	if err != nil {
		t.Fatal(err)
	}
	name := task.Rule + "/" + task.Subject
	before := dueOf(t, url, name)
	send(ctx, t, url+"/work", done, map[string]string{"by": "Ann", "note": "new filter"})
	if text := body(ctx, t); !strings.Contains(text, "recorded: "+name+" done") || !strings.Contains(text, "new filter") {
		t.Errorf("after marking %s done the page says:\n%s", name, text)
	}
	if after := dueOf(t, url, name); !after.After(before) {
		t.Errorf("%s was due %v and is due %v after it was done", name, before, after)
	}
	undo := `form[action="/work/undo"]:has([name="rule"][value="` + task.Rule + `"]):has([name="subject"][value="` + task.Subject + `"])`
	send(ctx, t, url+"/work", undo, map[string]string{"by": "Ann", "reason": "wrong station"})
	if text := body(ctx, t); !strings.Contains(text, "taken back: "+name+" done") {
		t.Errorf("after taking %s back the page says:\n%s", name, text)
	}
	if back := dueOf(t, url, name); !back.Equal(before) {
		t.Errorf("%s was due %v and is due %v after it was taken back", name, before, back)
	}
}

// dueOf is the day on which a task falls due.
func dueOf(t *testing.T, url, name string) time.Time {
	t.Helper()
	_, subject, _ := strings.Cut(name, "/")
	status, raw := fetch(t, url+"/api/v1/tasks?subject="+subject)
	var tasks struct {
		Items []struct {
			Task string
			Due  time.Time
		}
	}
	if err := json.Unmarshal(raw, &tasks); err != nil || status != http.StatusOK {
		t.Fatalf("tasks: %d, %v", status, err)
	}
	for _, x := range tasks.Items {
		if x.Task == name {
			return x.Due
		}
	}
	t.Fatalf("no task %s in %s", name, raw)
	return time.Time{}
}
