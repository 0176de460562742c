# SCN-S2 Caps lock on, where small and capital letters are different numbers
# https://github.com/goodeggs/angular-barcode-listener/issues/4
story "a site whose numbers have both cases"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
scheme TB pattern=Tb26#### case=counts
place LAB    kind=reception assumed=20..24C
09:10Z receive tB260118 type=EDTA by=lena at=LAB on=H-01 how=reader
expect answer refused keyboard-layout
09:11Z receive Tb260118 type=EDTA by=lena at=LAB on=H-01 how=reader
expect answer recorded
expect count Received=1
