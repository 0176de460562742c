package label

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// ErrNoLink is what ParseDigitalLink gives for a text that isn't a web address by
// the rules of GS1 Digital Link: it must begin with http:// or https://, all small
// or all capital letters.
var ErrNoLink = errors.New("not a web address of GS1 Digital Link")

// isLink tells whether text begins as a Digital Link must.
func isLink(text string) (rest string, ok bool) {
	for _, scheme := range []string{"https://", "HTTPS://", "http://", "HTTP://"} {
		if rest, ok := strings.CutPrefix(text, scheme); ok {
			return rest, true
		}
	}
	return "", false
}

const (
	uriCharacters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~:/?#[]@!$&'()*+,;=%"
	notInDomain   = "_~?#@!$&'()*+,;=%"
)

// ParseDigitalLink reads a GS1 Digital Link URI: the last primary key of its path,
// the qualifiers behind it in their order, and the elements of its query. Names
// instead of identifiers (/gtin/) and GTINs with their leading zeros left out in the
// path are not read: both are withdrawn forms.
func ParseDigitalLink(uri string) (Elements, error) {
	rest, ok := isLink(uri)
	if !ok {
		return nil, ErrNoLink
	}
	if i := strings.IndexFunc(uri, func(r rune) bool { return !strings.ContainsRune(uriCharacters, r) }); i >= 0 {
		return nil, fmt.Errorf("the address holds %q, which no address may", clip(uri[i:], 1))
	}
	domain, path, ok := strings.Cut(rest, "/")
	if !ok || domain == "" {
		return nil, fmt.Errorf("the address has no domain or nothing behind it")
	}
	if strings.ContainsAny(domain, notInDomain) {
		return nil, fmt.Errorf("the address's domain holds a character that no domain may")
	}
	path, _, _ = strings.Cut(path, "#")
	path, query, _ := strings.Cut(path, "?")
	inPath, err := linkPath(path)
	if err != nil {
		return nil, err
	}
	all, err := linkQuery(inPath, query)
	if err != nil {
		return nil, err
	}
	for _, e := range all {
		if say := table[e.AI].check(e.Value); say != "" {
			return nil, fmt.Errorf("(%s) %s", e.AI, say)
		}
	}
	return all, nil
}

// linkPath gives the elements of the path, from its last primary key on.
func linkPath(path string) (Elements, error) {
	segments := strings.Split(path, "/")
	at := len(segments)
	for {
		if at -= 2; at < 0 || table[segments[at]] == nil {
			return nil, fmt.Errorf("the address's path has no GS1 key")
		}
		if table[segments[at]].key {
			break
		}
	}
	var es Elements
	for ; at < len(segments); at += 2 {
		value, err := unescape(segments[at+1], false)
		if err != nil {
			return nil, err
		}
		es = append(es, Element{segments[at], value})
	}
	if !sequence(es) {
		return nil, fmt.Errorf("the address's path has %s in an order that (%s) doesn't allow", es[1:].Text(), es[0].AI)
	}
	return es, nil
}

// sequence tells whether the elements are a primary key and some of its qualifiers
// in their order.
func sequence(es Elements) bool {
	if len(es) == 1 {
		return true
	}
	return slices.ContainsFunc(table[es[0].AI].qualifiers, func(allowed []string) bool {
		at := 0
		for _, e := range es[1:] {
			i := slices.Index(allowed[at:], e.AI)
			if i < 0 {
				return false
			}
			at += i + 1
		}
		return true
	})
}

// linkQuery adds the elements of the query to those of the path. Other parameters
// are no part of the label's meaning.
func linkQuery(inPath Elements, query string) (Elements, error) {
	all := slices.Clone(inPath)
	for pair := range strings.SplitSeq(query, "&") {
		code, text, ok := strings.Cut(pair, "=")
		if !ok || !digits(code) {
			continue
		}
		if table[code] == nil {
			return nil, fmt.Errorf("the address has %s, which is no application identifier", code)
		}
		value, err := unescape(text, true)
		if err != nil {
			return nil, err
		}
		if code == "01" && (len(value) == 13 || len(value) == 12 || len(value) == 8) {
			value = strings.Repeat("0", 14-len(value)) + value
		}
		if all.has(code, "") {
			return nil, fmt.Errorf("the address has (%s) twice", code)
		}
		for i := 1; i <= len(inPath); i++ {
			if sequence(slices.Insert(slices.Clone(inPath), i, Element{AI: code})) {
				return nil, fmt.Errorf("(%s) belongs into the path of the address", code)
			}
		}
		all = append(all, Element{code, value})
	}
	return all, nil
}

// unescape undoes percent encoding. A percent sign without two hexadecimal digits
// stands for itself; in a query + is a blank.
func unescape(text string, query bool) (string, error) {
	var b strings.Builder
	for i := 0; i < len(text); i++ {
		c := text[i]
		switch {
		case c == '%' && i+2 < len(text):
			n, err := strconv.ParseUint(text[i+1:i+3], 16, 8)
			if err != nil {
				break
			}
			if n == 0 {
				return "", fmt.Errorf("the address holds the character U+0000")
			}
			c, i = byte(n), i+2
		case c == '+' && query:
			c = ' '
		}
		b.WriteByte(c)
	}
	return b.String(), nil
}
