# SCN-S3 No Enter between two scans
# https://github.com/shaxxx/flutter_barcode_listener/pull/25
story "two labels arrive as one read"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
scheme TB pattern=TB26####
place LAB    kind=reception assumed=20..24C
09:10Z read-label "TB260118TB260125" by=lena at=LAB on=H-01 how=reader
expect answer refused run-together
09:11Z receive "TB260118TB260125" type=EDTA by=lena at=LAB on=H-01
expect answer refused run-together
# with symbology identifiers it shows without any scheme
09:12Z read-label "]C0TB260118]C0TB260125" by=lena at=LAB on=H-01 how=reader
expect answer refused run-together
expect count Received=0
09:13Z receive TB260118 type=EDTA by=lena at=LAB on=H-01 how=reader
expect answer recorded
# a part of a number is no number
09:14Z receive TB26012 type=EDTA by=lena at=LAB on=H-01 how=reader
expect answer refused short-read
expect count Received=1
