package api

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"reflect"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
)

// Paging are the parameters of a list.
type Paging struct {
	Limit int    `query:"limit" minimum:"1" maximum:"10000" default:"1000" doc:"Most items in one answer."`
	After string `query:"after" maxLength:"200" doc:"The next of an earlier answer."`
}

// Table is one page of a list.
type Table[T any] struct {
	Items []T `json:"items" nullable:"false"`
	// Next is what after takes for the next page.
	Next string `json:"next,omitempty" doc:"Give it as after for the next page; missing on the last."`

	csv bool
}

// ContentType is that of the answer.
func (t Table[T]) ContentType(kind string) string {
	if t.csv {
		return "text/csv; charset=utf-8; header=present"
	}
	return kind
}

type tableAnswer[T any] struct {
	Link string `header:"Link" doc:"The address of the next page (RFC 8288)."`
	Body Table[T]
}

// about is what the document says of an operation.
type about struct {
	id, path, tag, summary, text string
}

func (b about) operation(method string, faults ...int) huma.Operation {
	return huma.Operation{
		OperationID: b.id, Method: method, Path: b.path, Tags: []string{b.tag}, Summary: b.summary, Description: b.text,
		Errors:   append(faults, http.StatusUnauthorized, http.StatusForbidden, http.StatusServiceUnavailable),
		Security: signedIn(), MaxBodyBytes: maxBody,
	}
}

// query is what a list is asked with.
type query interface{ paging() Paging }

func (p Paging) paging() Paging { return p }

// table registers a list.
func table[I query, T any](a *API, b about, list func(ctx context.Context, in I) (items []T, next string, err error)) {
	op := b.operation(http.MethodGet, http.StatusBadRequest, http.StatusNotFound)
	op.Parameters = append(op.Parameters, &huma.Param{
		Name: "format", In: "query", Description: "csv for the table as CSV, as with Accept: text/csv.",
		Schema: &huma.Schema{Type: huma.TypeString, Enum: []any{"json", "csv"}},
	})
	huma.Register(a.huma, op, func(ctx context.Context, in *I) (*tableAnswer[T], error) {
		items, next, err := list(ctx, *in)
		if err := a.answer(ctx, b.id, err); err != nil {
			return nil, err
		}
		out := &tableAnswer[T]{Body: Table[T]{Items: items, Next: next}}
		if items == nil {
			out.Body.Items = []T{}
		}
		out.Body.csv, _ = ctx.Value(csvKey{}).(bool)
		if next != "" {
			out.Link = "<?after=" + url.QueryEscape(next) + `>; rel="next"`
		}
		return out, nil
	})
	ok := a.huma.OpenAPI().Paths[b.path].Get.Responses["200"]
	ok.Content["text/csv"] = &huma.MediaType{Schema: &huma.Schema{Type: huma.TypeString}}
}

// errPage says that after is nothing that an answer gave.
var errPage = errors.New("after: expected the next of an earlier answer")

// paged cuts a page out of a list that is at hand. The place in the list is what
// is remembered: an item that comes or goes meanwhile moves the pages by one.
func paged[T any](all []T, p Paging) (items []T, next string, err error) {
	from := 0
	if p.After != "" {
		if from, err = strconv.Atoi(p.After); err != nil || from < 0 {
			return nil, "", huma.NewError(http.StatusBadRequest, errPage.Error())
		}
	}
	from = min(from, len(all))
	to := min(from+p.Limit, len(all))
	if to < len(all) {
		next = strconv.Itoa(to)
	}
	return all[from:to], next, nil
}

// writeCSV writes the items of a Table under the names of their JSON keys.
// Instants are RFC 3339, what is not known is empty, and lists within a row are
// JSON.
func writeCSV(w io.Writer, v any) error {
	items := reflect.ValueOf(v).FieldByName("Items")
	rows := csv.NewWriter(w)
	columns := columnsOf(items.Type().Elem(), nil)
	header := make([]string, len(columns))
	for i, c := range columns {
		header[i] = c.name
	}
	if err := rows.Write(header); err != nil {
		return err
	}
	for i := range items.Len() {
		row := make([]string, len(columns))
		for j, c := range columns {
			cell, err := cellOf(items.Index(i).FieldByIndex(c.index))
			if err != nil {
				return fmt.Errorf("column %s: %w", c.name, err)
			}
			row[j] = cell
		}
		if err := rows.Write(row); err != nil {
			return err
		}
	}
	rows.Flush()
	return rows.Error()
}

type column struct {
	name  string
	index []int
}

// columnsOf lists the fields that JSON shows, those of embedded structs in place.
func columnsOf(t reflect.Type, at []int) []column {
	var out []column
	for i := range t.NumField() {
		f := t.Field(i)
		index := append(append([]int{}, at...), i)
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case f.Anonymous && name == "":
			out = append(out, columnsOf(f.Type, index)...)
		case f.IsExported() && name != "" && name != "-":
			out = append(out, column{name, index})
		}
	}
	return out
}

func cellOf(v reflect.Value) (string, error) {
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return "", nil
		}
		v = v.Elem()
	}
	if t, ok := v.Interface().(time.Time); ok {
		if t.IsZero() {
			return "", nil
		}
		return t.Format(time.RFC3339Nano), nil
	}
	switch v.Kind() {
	case reflect.String:
		return harmless(v.String()), nil
	case reflect.Slice, reflect.Map, reflect.Struct:
		if v.Kind() == reflect.Slice && v.Len() == 0 {
			return "", nil
		}
		raw, err := json.Marshal(v.Interface())
		return string(raw), err
	default:
		return fmt.Sprint(v.Interface()), nil
	}
}

// harmless keeps a spreadsheet from taking a person's words for a formula.
func harmless(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r", rune(text[0])) {
		return "'" + text
	}
	return text
}
