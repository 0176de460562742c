# SCN-S7 Group separator stripped
# https://github.com/JimmyPun610/BarcodeScanner.Mobile/issues/114
story "a field of variable length runs into the next"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place LAB kind=reception assumed=20..24C
09:10Z read-label "10K7Q221998877" by=lena at=LAB on=H-01 how=reader
expect answer refused separator-lost
# whole, but of the product: what it says is not the tube's number
09:11Z read-label "]C1010952123400017410K7Q2\x1d21998877" by=lena at=LAB on=H-01 how=reader
expect answer refused product-code
expect count Seen=0
