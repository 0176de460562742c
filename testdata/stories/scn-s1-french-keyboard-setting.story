# SCN-S1 French keyboard setting
# https://github.com/fttx/barcode-to-pc-server/issues/166
story "the computer expects another keyboard than the reader types"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB260118 type=EDTA tests=CBC
08:02Z collect TB260118 type=EDTA by=mira at=WARD-N on=H-09
09:10Z read-label "TBé-à&&_" by=lena at=LAB on=H-01 how=reader
expect answer refused keyboard-layout
# said as text by another program it is no unknown tube either
09:11Z receive "TBé-à&&_" by=lena at=LAB on=H-01
expect answer refused keyboard-layout
expect count Received=0
09:12Z receive TB260118 by=lena at=LAB on=H-01 how=reader
expect answer recorded
