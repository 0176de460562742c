// Package printtest reads symbols off pictures, for tests of what is printed. Its
// reader shares no code with what draws the symbols.
package printtest

import (
	"errors"
	"fmt"
	"image"
	"strings"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/datamatrix"
	"github.com/makiuchi-d/gozxing/oned"
)

// Read is what a symbol said.
type Read struct {
	ID   string // symbology identifier of ISO/IEC 15424: ]d1, ]d2, ]C0, ]C1
	Sent string // what a reader sends behind it: FNC1 in front left out, later ones as GS
}

const gs = "\x1d"

// Matrix reads the one Data Matrix of a picture.
func Matrix(img image.Image) (Read, error) {
	r, err := decode(img, datamatrix.NewDataMatrixReader(), nil)
	if err != nil {
		return Read{}, err
	}
	id, err := identifier(r)
	if err != nil {
		return Read{}, err
	}
	out := Read{id, r.GetText()}
	if id == "]d2" {
		// This reader gives the FNC1 in front as GS, too.
		if out.Sent, _ = strings.CutPrefix(out.Sent, gs); out.Sent == r.GetText() {
			return out, errors.New("a GS1 symbol without FNC1 in front")
		}
	}
	return out, nil
}

// Bars reads the one Code 128 of a picture.
func Bars(img image.Image) (Read, error) {
	hints := map[gozxing.DecodeHintType]any{gozxing.DecodeHintType_TRY_HARDER: true}
	r, err := decode(img, oned.NewCode128Reader(), hints)
	if err != nil {
		return Read{}, err
	}
	// This reader takes the check character for one of the data, in its identifier and
	// in its separators; the code words tell.
	const fnc1 = 102
	raw := r.GetRawBytes()
	if len(raw) < 4 {
		return Read{}, errors.New("too few code words")
	}
	switch {
	case raw[2] == fnc1 && len(raw) > 4:
		return Read{"]C2", r.GetText()}, nil
	case raw[1] != fnc1:
		return Read{"]C0", r.GetText()}, nil
	}
	// Only asked for GS1 data does it tell the separators.
	hints[gozxing.DecodeHintType_ASSUME_GS1] = true
	if r, err = decode(img, oned.NewCode128Reader(), hints); err != nil {
		return Read{}, err
	}
	text := strings.TrimPrefix(r.GetText(), "]C1")
	if raw[len(raw)-2] == fnc1 {
		text = strings.TrimSuffix(text, gs)
	}
	return Read{"]C1", text}, nil
}

func decode(img image.Image, reader gozxing.Reader, hints map[gozxing.DecodeHintType]any) (*gozxing.Result, error) {
	bits, err := gozxing.NewBinaryBitmapFromImage(img)
	if err != nil {
		return nil, fmt.Errorf("the picture: %w", err)
	}
	r, err := reader.Decode(bits, hints)
	if err != nil {
		return nil, fmt.Errorf("nothing read: %w", err)
	}
	return r, nil
}

func identifier(r *gozxing.Result) (string, error) {
	id, ok := r.GetResultMetadata()[gozxing.ResultMetadataType_SYMBOLOGY_IDENTIFIER].(string)
	if !ok {
		return "", errors.New("the reader gave no symbology identifier")
	}
	return id, nil
}

// Crop gives a part of a picture on white, with so many white pixels around it.
func Crop(img image.Image, part image.Rectangle, around int) *image.Gray {
	part = part.Intersect(img.Bounds())
	out := image.NewGray(image.Rect(0, 0, part.Dx()+2*around, part.Dy()+2*around))
	for i := range out.Pix {
		out.Pix[i] = 0xff
	}
	for y := range part.Dy() {
		for x := range part.Dx() {
			out.Set(x+around, y+around, img.At(part.Min.X+x, part.Min.Y+y))
		}
	}
	return out
}

// Seen gives a part of a sheet as a reader's camera sees it: each dot of the printer
// several pixels wide, on white.
func Seen(img image.Image, part image.Rectangle) *image.Gray {
	const pixels = 4
	small := Crop(img, part, 8)
	out := image.NewGray(image.Rect(0, 0, small.Rect.Dx()*pixels, small.Rect.Dy()*pixels))
	for y := range out.Rect.Dy() {
		for x := range out.Rect.Dx() {
			out.Pix[y*out.Stride+x] = small.Pix[y/pixels*small.Stride+x/pixels]
		}
	}
	return out
}

// OneBit makes a picture black and white as a label printer does: what is at least
// half dark is black.
func OneBit(img image.Image) *image.Gray {
	out := Crop(img, img.Bounds(), 0)
	for i, v := range out.Pix {
		if v < 0x80 {
			out.Pix[i] = 0
		} else {
			out.Pix[i] = 0xff
		}
	}
	return out
}
