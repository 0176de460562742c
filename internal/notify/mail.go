package notify

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/mail"
	"strconv"
	"strings"
	"time"

	gomail "github.com/wneessen/go-mail"
)

// MailTLS is how a connection to the mail server is made safe.
type MailTLS string

// The ways. None is for a server on this machine alone.
const (
	StartTLS    MailTLS = "starttls" // RFC 3207, required
	ImplicitTLS MailTLS = "tls"      // RFC 8314
	NoTLS       MailTLS = "none"
)

// Mail sends messages to one address. Several people are several channels, each with
// its own position, so that one wrong address keeps nothing from the others.
type Mail struct {
	parts MailParts
	host  string
	port  int
	from  *mail.Address
	to    *mail.Address
}

// MailParts are what a Mail is made of.
type MailParts struct {
	Server   string // host:port
	TLS      MailTLS
	User     string // empty: no sign-in at the server
	Password string
	From, To string
	Zone     *time.Location // of times in the text; nil is UTC
	Roots    *x509.CertPool // whom to trust; nil is whom the machine trusts
}

// NewMail checks the parts. Errors name the part and the remedy.
func NewMail(p MailParts) (*Mail, error) {
	host, portText, err := net.SplitHostPort(p.Server)
	port, portErr := strconv.ParseUint(portText, 10, 16)
	if err != nil || portErr != nil || host == "" || port == 0 {
		return nil, fmt.Errorf("notify: mail server: %q has no host and port; give it like mail.example:587", p.Server)
	}
	switch {
	case p.TLS != StartTLS && p.TLS != ImplicitTLS && p.TLS != NoTLS:
		return nil, wordFault("mail TLS", p.TLS, []MailTLS{StartTLS, ImplicitTLS, NoTLS})
	case p.TLS == NoTLS && !loopback(host):
		return nil, errors.New("notify: mail TLS: without it mail goes to this machine alone; give starttls or tls")
	case p.User == "" && p.Password != "" || p.User != "" && p.Password == "":
		return nil, errors.New("notify: mail user: give both user and password, or neither")
	case p.User != "" && p.TLS == NoTLS:
		return nil, errors.New("notify: mail user: no password goes over a connection without TLS; give starttls or tls")
	}
	from, err := mailAddress("from", p.From)
	if err != nil {
		return nil, err
	}
	to, err := mailAddress("to", p.To)
	if err != nil {
		return nil, err
	}
	if p.Zone == nil {
		p.Zone = time.UTC
	}
	return &Mail{parts: p, host: host, port: int(port), from: from, to: to}, nil
}

func mailAddress(field, text string) (*mail.Address, error) {
	a, err := mail.ParseAddress(text)
	if err != nil {
		return nil, fmt.Errorf("notify: mail %s: %q is no address; give one like lena@clinic.example", field, text)
	}
	return a, nil
}

// Message gives the mail of a message. All but the boundary of time is the message's:
// a repeat has the same Message-ID and date, so it is one thing in a mailbox.
func (c *Mail) message(m Message) (*gomail.Msg, error) {
	msg := gomail.NewMsg(gomail.WithEncoding(gomail.EncodingQP), gomail.WithNoDefaultUserAgent())
	if err := msg.From(c.from.String()); err != nil {
		return nil, fmt.Errorf("notify: mail from: %w", err)
	}
	if err := msg.To(c.to.String()); err != nil {
		return nil, fmt.Errorf("notify: mail to: %w", err)
	}
	msg.Subject(m.Subject())
	msg.SetMessageIDWithValue(m.ID + "@" + c.domain())
	msg.SetDateWithValue(m.Decided.Time().In(c.parts.Zone))
	msg.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834 section 5: nobody answers by machine
	msg.SetBodyString(gomail.TypeTextPlain, m.Text(c.parts.Zone))
	return msg, nil
}

func (c *Mail) domain() string {
	return c.from.Address[strings.LastIndex(c.from.Address, "@")+1:]
}

// Send implements Channel. The mail counts as taken when the server has answered its
// end with 250; what goes wrong in taking leave afterwards changes nothing.
func (c *Mail) Send(ctx context.Context, m Message) error {
	msg, err := c.message(m)
	if err != nil {
		return &Refusal{err.Error()}
	}
	options := []gomail.Option{
		gomail.WithPort(c.port), gomail.WithTimeout(sendTimeout), gomail.WithHELO(c.domain()), gomail.WithoutNoop(),
	}
	conf := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: c.host, RootCAs: c.parts.Roots}
	switch c.parts.TLS {
	case ImplicitTLS:
		options = append(options, gomail.WithSSL(), gomail.WithTLSConfig(conf))
	case StartTLS:
		options = append(options, gomail.WithTLSPolicy(gomail.TLSMandatory), gomail.WithTLSConfig(conf))
	default:
		options = append(options, gomail.WithTLSPolicy(gomail.NoTLS), gomail.WithDialContextFunc(
			func(ctx context.Context, network, address string) (net.Conn, error) {
				return dial(ctx, network, address, true)
			}))
	}
	if c.parts.User != "" {
		options = append(options, gomail.WithSMTPAuth(gomail.SMTPAuthAutoDiscover),
			gomail.WithUsername(c.parts.User), gomail.WithPassword(c.parts.Password))
	}
	client, err := gomail.NewClient(c.host, options...)
	if err != nil {
		return fmt.Errorf("notify: mail: %w", err)
	}
	if err := client.DialWithContext(ctx); err != nil {
		return fmt.Errorf("notify: mail: %w", err)
	}
	defer func() { _ = client.Close() }()
	err = client.Send(msg)
	if msg.IsDelivered() {
		return nil
	}
	var said *gomail.SendError
	switch {
	case err == nil:
		return errors.New("notify: mail: the server did not say that it took it")
	case errors.As(err, &said) && said.ErrorCode() >= 500 && said.ErrorCode() <= 599:
		return &Refusal{fmt.Sprintf("the mail server answered %d", said.ErrorCode())}
	default:
		return fmt.Errorf("notify: mail: %w", err)
	}
}
