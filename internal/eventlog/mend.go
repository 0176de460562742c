package eventlog

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"

	"github.com/minio/highwayhash"
	"github.com/nats-io/nats-server/v2/server"
)

// mend makes good, before the server starts, what a power cut can leave that the
// server would take wrongly, and says so.
func mend(store string, logger *slog.Logger) error {
	sums, err := mendSums(store)
	if err != nil {
		return err
	}
	indexes, err := mendIndexes(store)
	if err != nil {
		return err
	}
	if len(sums)+len(indexes) > 0 {
		logger.Warn("mended what a cut left", slog.Any("settings_of", sums), slog.Any("index_of", indexes))
	}
	return nil
}

// mendSums completes what a power cut or kill interrupted. The server writes a
// stream's settings (meta.inf) and then their checksum (meta.sum), each whole; between
// the two the checksum is missing or that of the settings before, and the next start
// would not find the stream, with everything in it. Settings that are no settings of
// that stream are left alone: encrypted ones are authenticated by the server itself.
// The checksum is HighwayHash-64 under the SHA-256 of the stream's name, as in
// writeStreamMeta of nats-server 2.15. What a flipped bit could still turn into other
// settings, Open refuses when it could lose facts. mended names the streams.
func mendSums(store string) (mended []string, err error) {
	files, err := filepath.Glob(filepath.Join(store, "jetstream", "*", "streams", "*", "meta.inf"))
	if err != nil {
		return nil, fmt.Errorf("eventlog: %w", err)
	}
	for _, file := range files {
		dir := filepath.Dir(file)
		meta, err := os.ReadFile(file)
		if err != nil {
			return nil, fmt.Errorf("eventlog: %w", err)
		}
		name := filepath.Base(dir)
		if !settingsOf(name, dir, meta) {
			continue
		}
		key := sha256.Sum256([]byte(name))
		hash, err := highwayhash.NewDigest64(key[:])
		if err != nil {
			return nil, fmt.Errorf("eventlog: %w", err)
		}
		_, _ = hash.Write(meta) // never fails: hash.Hash
		want := hex.EncodeToString(hash.Sum(nil))
		had, err := os.ReadFile(filepath.Join(dir, "meta.sum"))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("eventlog: %w", err)
		}
		if string(had) == want {
			continue
		}
		if err := WriteDurably(filepath.Join(dir, "meta.sum"), []byte(want)); err != nil {
			return nil, err
		}
		mended = append(mended, name)
	}
	return mended, nil
}

// mendIndexes removes an index that the server would take for true after a power cut
// though it isn't. The server trusts a stream's index (index.db) when the checksum in
// it is the last eight bytes of the last block. In the index of a stream that was
// empty when it was written that checksum is zeros, and zeros are also what a block
// ends with when the cut fell between its growth and its data: the stream would then
// be empty, with every acknowledged message still on the disk. Without an index the
// server reads the blocks. An encrypted block doesn't decrypt to zeros. streams names
// those whose index went.
func mendIndexes(store string) (streams []string, err error) {
	indexes, err := filepath.Glob(filepath.Join(store, "jetstream", "*", "streams", "*", "msgs", "index.db"))
	if err != nil {
		return nil, fmt.Errorf("eventlog: %w", err)
	}
	for _, index := range indexes {
		blocks, err := filepath.Glob(filepath.Join(filepath.Dir(index), "*.blk"))
		if err != nil {
			return nil, fmt.Errorf("eventlog: %w", err)
		}
		for _, block := range blocks {
			zeros, err := endsInZeros(block)
			if err != nil {
				return nil, err
			}
			if !zeros {
				continue
			}
			if err := errors.Join(os.Remove(index), syncDir(filepath.Dir(index))); err != nil {
				return nil, fmt.Errorf("eventlog: %w", err)
			}
			streams = append(streams, filepath.Base(filepath.Dir(filepath.Dir(index))))
			break
		}
	}
	return streams, nil
}

// endsInZeros reports whether the last eight bytes of a file, the place of the last
// message's checksum, are zeros.
func endsInZeros(path string) (bool, error) {
	f, err := os.Open(path)
	if err != nil {
		return false, fmt.Errorf("eventlog: %w", err)
	}
	defer func() { _ = f.Close() }()
	info, err := f.Stat()
	if err != nil {
		return false, fmt.Errorf("eventlog: %w", err)
	}
	var last [highwayhash.Size64]byte
	if info.Size() < int64(len(last)) {
		return false, nil
	}
	if _, err := f.ReadAt(last[:], info.Size()-int64(len(last))); err != nil {
		return false, fmt.Errorf("eventlog: %w", err)
	}
	return last == [highwayhash.Size64]byte{}, nil
}

func settingsOf(name, dir string, meta []byte) bool {
	if _, err := os.Stat(filepath.Join(dir, "meta.key")); err == nil {
		return len(meta) > 0
	}
	var settings server.FileStreamInfo
	read := json.NewDecoder(bytes.NewReader(meta))
	read.DisallowUnknownFields()
	return read.Decode(&settings) == nil && settings.Name == name
}

// WriteDurably replaces a file, readable by its owner alone, so that after a power cut
// it is the old or the new one: data, then name, then the directory that holds the
// name (fsync(2)).
func WriteDurably(path string, data []byte) error {
	tmp := path + ".new"
	f, err := os.OpenFile(tmp, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("eventlog: %w", err)
	}
	_, werr := f.Write(data)
	if err := errors.Join(werr, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("eventlog: write %s: %w", tmp, err)
	}
	if err := os.Rename(tmp, path); err != nil {
		return fmt.Errorf("eventlog: %w", err)
	}
	return syncDir(filepath.Dir(path))
}

// syncDir makes the names in a directory durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("eventlog: %w", err)
	}
	if err := errors.Join(d.Sync(), d.Close()); err != nil {
		return fmt.Errorf("eventlog: sync %s: %w", dir, err)
	}
	return nil
}
