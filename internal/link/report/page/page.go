// Package page writes a savings report as one HTML file that needs nothing else: no
// script, no font, no picture and no style sheet from anywhere. It reads on a phone as on
// a desk, in light and in dark, and prints on white paper.
//
// It adds no word of its own; a document says all. Plots are inline SVG in two widths, of
// which the style sheet shows the one that fits, each with its words and, folded, the table
// that it is drawn from. In print the tables behind plots stay folded: the workbook has
// them.
//
// The same document gives the same bytes.
package page

import (
	_ "embed"
	"fmt"
	"html/template"
	"io"

	"curetally/internal/core/dossier"
	"curetally/internal/link/report/document"
	"curetally/internal/link/report/figure"
	"curetally/internal/link/report/words"
)

//go:embed page.html
var source string

//go:embed page.css
var style string

// Write writes the report of a dossier as a page.
func Write(out io.Writer, d dossier.Dossier, w *words.Words) error {
	v, err := viewOf(document.Of(d, w))
	if err != nil {
		return err
	}
	t, err := template.New("page").Parse(source)
	if err != nil {
		return fmt.Errorf("template of the report: %w", err)
	}
	if err := t.Execute(out, v); err != nil {
		return fmt.Errorf("write page: %w", err)
	}
	return nil
}

type view struct {
	document.Document
	Style    template.CSS
	Sections []section
}

type section struct {
	Name, Title string
	Blocks      []block
}

// block is one block with one of its parts set.
type block struct {
	Lead, Paragraph string
	Note            *document.Note
	Pairs           document.Pairs
	Table           *table
	Plot            *plot
}

type table struct {
	Title string
	Heads []cell
	Rows  [][]cell
}

// cell is one text; a figure stands at the right.
type cell struct {
	Text   string
	Figure bool
}

type plot struct {
	figure.Figure
	Wide, Narrow template.HTML
	Behind       table
}

func viewOf(d document.Document) (view, error) {
	v := view{Document: d, Style: template.CSS(style)}
	for _, s := range d.Sections {
		out := section{Name: s.Name, Title: s.Title}
		for _, b := range s.Blocks {
			made, err := blockOf(b)
			if err != nil {
				return v, err
			}
			out.Blocks = append(out.Blocks, made)
		}
		v.Sections = append(v.Sections, out)
	}
	return v, nil
}

func blockOf(b document.Block) (block, error) {
	switch x := b.(type) {
	case document.Lead:
		return block{Lead: string(x)}, nil
	case document.Paragraph:
		return block{Paragraph: string(x)}, nil
	case document.Note:
		return block{Note: &x}, nil
	case document.Pairs:
		return block{Pairs: x}, nil
	case document.Table:
		t := tableOf(x.Table)
		t.Title = x.Title
		return block{Table: &t}, nil
	case document.Plot:
		p, err := plotOf(x.Figure)
		return block{Plot: p}, err
	default:
		return block{}, fmt.Errorf("write page: a block of kind %T has no form on a page", b)
	}
}

func tableOf(t figure.Table) table {
	row := func(texts []string) []cell {
		out := make([]cell, len(texts))
		for i, s := range texts {
			out[i] = cell{s, i >= t.Words}
		}
		return out
	}
	var out table
	for _, h := range t.Heads {
		if h != "" {
			out.Heads = row(t.Heads)
			break
		}
	}
	for _, r := range t.Rows {
		out.Rows = append(out.Rows, row(r))
	}
	return out
}

func plotOf(f figure.Figure) (*plot, error) {
	wide, err := figure.SVG(f, figure.Options{})
	if err != nil {
		return nil, err
	}
	narrow, err := figure.SVG(f, figure.Options{Width: figure.Narrow, Suffix: "-narrow"})
	if err != nil {
		return nil, err
	}
	// The drawings escape every text themselves.
	return &plot{f, template.HTML(wide), template.HTML(narrow), tableOf(f.Table)}, nil
}
