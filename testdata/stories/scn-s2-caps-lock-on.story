# SCN-S2 Caps lock on
# https://github.com/goodeggs/angular-barcode-listener/issues/4
story "letters arrive inverted"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
scheme TB pattern=TB26####
place WARD-N kind=ward      assumed=20..24C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB260118 type=EDTA tests=CBC
08:02Z collect TB260118 type=EDTA by=mira at=WARD-N on=H-09 how=camera
09:10Z receive tb260118 by=lena at=LAB on=H-01 how=reader
expect answer recorded
expect TB260118 facts Received=1
expect TB260118 holder LAB
