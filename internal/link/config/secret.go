package config

import (
	"fmt"
	"io"
	"strings"
)

// Secret is a password or a connection string. It prints as "<secret>" whatever
// the verb or encoding; only Reveal gives the text. The text is behind a pointer
// so that it stays hidden even as an unexported field of a printed struct.
type Secret struct{ text *string }

// NewSecret wraps a text; an empty text is no secret.
func NewSecret(text string) Secret {
	if text == "" {
		return Secret{}
	}
	return Secret{text: &text}
}

// Reveal gives the text; empty when there is none.
func (s Secret) Reveal() string {
	if s.text == nil {
		return ""
	}
	return *s.text
}

// IsSet says whether there is a text.
func (s Secret) IsSet() bool { return s.text != nil }

// String is "<secret>", or empty when there is none.
func (s Secret) String() string {
	if s.text == nil {
		return ""
	}
	return "<secret>"
}

// Format writes String for every verb.
func (s Secret) Format(f fmt.State, _ rune) { _, _ = io.WriteString(f, s.String()) }

// MarshalText hides the text in JSON and other encodings.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText takes any text.
func (s *Secret) UnmarshalText(text []byte) error {
	*s = NewSecret(string(text))
	return nil
}

// secret gives the secret of a key or of its twin that names a file.
func (b *builder) secret(at string, plain Secret, file string) Secret {
	if file == "" {
		return plain
	}
	if plain.IsSet() {
		b.report(at+"_file", "the secret is given twice, here and as "+at, "keep one of the two")
		return plain
	}
	data, err := readFile(b.path(file))
	if err != nil {
		b.unreadable(at+"_file", err)
		return plain
	}
	text := strings.TrimRight(string(data), "\r\n")
	if text == "" || strings.ContainsAny(text, "\r\n\x00") {
		b.report(at+"_file", "the file does not hold exactly one line", "write the secret alone into the file")
		return plain
	}
	return NewSecret(text)
}
