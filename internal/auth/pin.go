package auth

import (
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"strings"

	"golang.org/x/crypto/argon2"
)

// Cost is what one try of a PIN takes.
type Cost struct {
	Passes, Kibibytes uint32
	Lanes             uint8
}

// pinCost is the second recommended choice of RFC 9106, section 4, with one lane per
// core of a small machine.
var pinCost = Cost{Passes: 3, Kibibytes: 64 << 10, Lanes: 2}

const (
	saltBytes = 16
	hashBytes = 32

	// What a stored PIN must have to be read: the shortest salt of the reference program,
	// and a hash that nobody meets by chance. A record cut short lets nobody in.
	leastSalt = 8
	leastHash = 16
	mostHash  = 64
)

// A PIN has 6 to 12 digits. A PIN is short: what keeps it are the lock and the secret
// that it is mixed with, which is on no shelf.
const (
	pinLeast = 6
	pinMost  = 12
)

// CheckPIN says what is wrong with a new PIN, "" for nothing.
func CheckPIN(pin string) string {
	if len(pin) < pinLeast || len(pin) > pinMost || strings.ContainsFunc(pin, func(r rune) bool { return r < '0' || r > '9' }) {
		return fmt.Sprintf("a PIN has %d to %d digits and nothing else", pinLeast, pinMost)
	}
	same, up, down := true, true, true
	for i := 1; i < len(pin); i++ {
		same = same && pin[i] == pin[i-1]
		up = up && pin[i] == pin[i-1]+1
		down = down && pin[i] == pin[i-1]-1
	}
	if same || up || down {
		return "a row of digits is the first that somebody tries; choose another PIN"
	}
	return ""
}

// hashPIN gives what is kept of a peppered PIN, in the form of the argon2 reference
// program: $argon2id$v=19$m=..,t=..,p=..$salt$hash.
func hashPIN(peppered []byte, c Cost, random io.Reader) (string, error) {
	salt := make([]byte, saltBytes)
	if _, err := io.ReadFull(random, salt); err != nil {
		return "", fmt.Errorf("auth: no randomness: %w", err)
	}
	sum := argon2.IDKey(peppered, salt, c.Passes, c.Kibibytes, c.Lanes, hashBytes)
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, c.Kibibytes, c.Passes, c.Lanes,
		base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(sum)), nil
}

var errHash = errors.New("auth: a stored PIN can't be read")

// samePIN tells whether a peppered PIN is the kept one.
func samePIN(kept string, peppered []byte) (bool, error) {
	parts := strings.Split(kept, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" {
		return false, errHash
	}
	var version int
	var c Cost
	if _, err := fmt.Sscanf(parts[2]+" "+parts[3], "v=%d m=%d,t=%d,p=%d", &version, &c.Kibibytes, &c.Passes, &c.Lanes); err != nil || version != argon2.Version ||
		c.Kibibytes == 0 || c.Kibibytes > 1<<20 || c.Passes == 0 || c.Passes > 100 || c.Lanes == 0 {
		return false, errHash
	}
	salt, err := base64.RawStdEncoding.DecodeString(parts[4])
	if err != nil || len(salt) < leastSalt {
		return false, errHash
	}
	sum, err := base64.RawStdEncoding.DecodeString(parts[5])
	if err != nil || len(sum) < leastHash || len(sum) > mostHash {
		return false, errHash
	}
	got := argon2.IDKey(peppered, salt, c.Passes, c.Kibibytes, c.Lanes, uint32(len(sum))) //nolint:gosec // at most mostHash
	return subtle.ConstantTimeCompare(got, sum) == 1, nil
}
