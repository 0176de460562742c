package label

import (
	"strings"
	"testing"
)

// GS1 Digital Link URI syntax; the vectors of the GS1 syntax engine's dl.c
// (Apache-2.0), among them the examples of the standard itself. ^ is FNC1; the engine
// writes none behind a predefined length, as a reader sends it.
func TestGS1_DigitalLink(t *testing.T) {
	for uri, want := range map[string]string{
		"http://a/00/006141411234567890":                "^00006141411234567890",
		"HTTP://a/00/006141411234567890":                "^00006141411234567890",
		"https://a/00/006141411234567890":               "^00006141411234567890",
		"HTTPS://a/00/006141411234567890":               "^00006141411234567890",
		"https://a/01/12312312312333":                   "^0112312312312333",
		"https://xn--fsq.xn--0zwm56d/01/12312312312333": "^0112312312312333",
		"https://a./01/12312312312333":                  "^0112312312312333",
		"https://a:65535/01/12312312312333":             "^0112312312312333",
		"https://192.0.2.1/01/12312312312333":           "^0112312312312333",
		"https://[2001:db8::1]/01/12312312312333":       "^0112312312312333",
		// stems, with something in them that looks like a key
		"https://a/stem/00/006141411234567890":      "^00006141411234567890",
		"https://a/more/stem/00/006141411234567890": "^00006141411234567890",
		"https://a/00/faux/00/006141411234567890":   "^00006141411234567890",
		// qualifiers
		"https://a/01/12312312312333/22/TEST/10/ABC/21/XYZ":   "^011231231231233322TEST^10ABC^21XYZ",
		"https://a/01/12312312312333/235/TEST":                "^0112312312312333235TEST",
		"https://a/253/1231231231232":                         "^2531231231231232",
		"https://a/253/1231231231232TEST5678901234567":        "^2531231231231232TEST5678901234567",
		"https://a/8018/123456789012345675/8019/123":          "^8018123456789012345675^8019123",
		"https://a/stem/00/006141411234567890?":               "^00006141411234567890",
		"https://a/stem/00/006141411234567890?99=ABC":         "^0000614141123456789099ABC",
		"https://a/stem/401/12345678?99=ABC":                  "^40112345678^99ABC",
		"https://a/01/12312312312333?99=ABC&98=XYZ":           "^011231231231233399ABC^98XYZ",
		"https://a/01/12312312312333?&&&99=ABC&&&&98=XYZ&&&":  "^011231231231233399ABC^98XYZ",
		"https://a/01/12312312312333?unknown=6&99=ABC&98=XYZ": "^011231231231233399ABC^98XYZ",
		"https://a/01/12312312312333?99=ABC&singleton&98=XYZ": "^011231231231233399ABC^98XYZ",
		// escapes: + is a plus in the path
		"https://a/01/12312312312333/22/ABC%2d123?99=ABC&98=XYZ%2f987": "^011231231231233322ABC-123^99ABC^98XYZ/987",
		"https://a/01/12312312312333/22/ABC+123?99=ABC&98=XYZ%2f987":   "^011231231231233322ABC+123^99ABC^98XYZ/987",
		// fragments are no part of the data
		"https://a/01/12312312312333/22/test/10/abc/21/xyz#":                               "^011231231231233322test^10abc^21xyz",
		"https://a/stem/00/006141411234567890?99=ABC#fragment":                             "^0000614141123456789099ABC",
		"https://id.gs1.org/01/09520123456788":                                             "^0109520123456788",
		"https://id.gs1.org/01/09520123456788/22/2A":                                       "^0109520123456788222A",
		"https://id.gs1.org/01/09520123456788/10/ABC123":                                   "^010952012345678810ABC123",
		"https://id.gs1.org/01/09520123456788/21/12345":                                    "^01095201234567882112345",
		"https://id.gs1.org/01/09520123456788?3103=000195":                                 "^01095201234567883103000195",
		"https://id.gs1.org/00/952012345678912345":                                         "^00952012345678912345",
		"https://id.gs1.org/414/9520123456788":                                             "^4149520123456788",
		"https://id.gs1.org/414/9520123456788/254/32a%2Fb":                                 "^414952012345678825432a/b",
		"https://example.com/8004/9520614141234567?01=9520123456788":                       "^80049520614141234567^0109520123456788",
		"https://id.gs1.org/01/09520123456788/10/ABC1/21/12345?17=180426":                  "^010952012345678810ABC1^2112345^17180426",
		"https://example.com/01/09520123456788?3103=000195&3922=0299&17=201225":            "^0109520123456788310300019539220299^17201225",
		"https://id.gs1.org/00/952012345678912345?02=09520123456788&37=25&10=ABC123":       "^0095201234567891234502095201234567883725^10ABC123",
		"https://id.gs1.org/01/09520123456788/235/XYZ?10=ABC123":                           "^0109520123456788235XYZ^10ABC123",
		"https://a/01/12312312312333?singleton1&unknown1=555&99=ABC&unknown2=6666&98=XYZ&": "^011231231231233399ABC^98XYZ",
	} {
		es, err := ParseDigitalLink(uri)
		if got := "^" + strings.ReplaceAll(es.Data(), GS, "^"); err != nil || got != want {
			t.Errorf("%s is %s, %v; want %s", uri, got, err, want)
		}
	}
	for _, uri := range []string{
		"", "ftp://", "http://", "http:///", "http://a", "http://a/", "http://a/b", "http://a/b/",
		"HtTp://a/b/00/006141411234567890",         // mixed case
		"https://00/006141411234567890",            // no domain
		"https://[fe80::1%25lo]/01/12312312312333", // % in the domain
		"https://$a/006141411234567890", "https://a$/006141411234567890",
		"https://a/gtin/12312312312333",                                                    // a name for an identifier
		"https://a/01/2112345678900", "https://a/01/416000336108", "https://a/01/02345673", // zeros left out
		"https://a/253/1231231231232TEST56789012345678",              // too long
		"https://a/stem/00/006141411234567890/",                      // ends in a slash
		"https://a/01/12312312312333?99=",                            // empty
		"https://a/01/12312312312333?99=ABC&999=faux",                // digits that are no identifier
		"https://a/01/12312312312333/22/ABC%2d123?99=ABC&98=XYZ+987", // + is a blank in a query
		"https://example.com/01/09520123456788?10=ABC123",            // belongs into the path
		"https://id.gs1.org/01/09520123456788/10/ABC123?99=XYZ789&01=09520123456788",
		"https://id.gs1.org/01/09520123456788/10/ABC123?99=XYZ789&10=ABC123",
		"https://id.gs1.org/01/09520123456788/10/ABC123?99=XYZ789&99=XYZ789",
		"https://example.com/01/09520123456788/89/ABC123?99=XYZ",
		"https://example.com/01/09520123456788?99=XYZ&89=ABC123",
		"https://a/01/12312312312333/10/A/22/B", // qualifiers out of order, from the dictionary's own example
		"https://a/01/12312312312333/22/A/235/B",
		"https://a/01/12312312312333/10/A%00",
		"https://a/01/12312312312334", // check digit
		"https://a b/01/12312312312333",
	} {
		if es, err := ParseDigitalLink(uri); err == nil {
			t.Errorf("%s was read as %s", uri, es.Text())
		}
	}
}

// Percent encoding, the same source.
func TestGS1_DigitalLinkEscapes(t *testing.T) {
	for text, want := range map[string][2]string{
		"": {"", ""}, "test": {"test", "test"}, "+": {"+", " "}, "%20": {" ", " "}, "A%20%20B": {"A  B", "A  B"},
		"ABC%2": {"ABC%2", "ABC%2"}, "ABCD%": {"ABCD%", "ABCD%"}, "A%01B": {"A\x01B", "A\x01B"}, "A%fFB": {"A\xffB", "A\xffB"},
		"A%4fB": {"AOB", "AOB"}, "A%4gB": {"A%4gB", "A%4gB"}, "A%g4B": {"A%g4B", "A%g4B"}, "%4F": {"O", "O"},
	} {
		for i, query := range []bool{false, true} {
			if got, err := unescape(text, query); err != nil || got != want[i] {
				t.Errorf("%q in query %v is %q, %v; want %q", text, query, got, err, want[i])
			}
		}
	}
	if got, err := unescape("A%00B", false); err == nil {
		t.Errorf("U+0000 was read as %q", got)
	}
}
