# SCN-S6 Tube maker's own code scanned
# GS1 General Specifications; https://github.com/zxing/zxing/issues/1457
story "the code that the tube was bought with"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward assumed=20..24C
08:02Z collect "(01)09521234000174(17)270131(10)K7Q2" type=EDTA by=mira at=WARD-N on=H-09
expect answer refused product-code
08:03Z read-label "]d20109521234000174172701311 0K7Q2" by=mira at=WARD-N on=H-09 how=camera
expect answer refused unknown-label
08:04Z read-label "]d201095212340001741727013110K7Q2" by=mira at=WARD-N on=H-09 how=camera
expect answer refused product-code
expect count Collected=0
08:05Z collect TB260118 type=EDTA by=mira at=WARD-N on=H-09 how=camera
expect answer recorded
