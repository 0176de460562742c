# GS1 General Specifications: identifier 91, company internal information; 8003 and 00 for boxes
story "one number in two symbols, and boxes with numbers of the standard"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
scheme TB pattern=TB26#### stands-in=plain,91
place WARD-N kind=ward      assumed=20..24C
place LAB    kind=reception assumed=20..24C
08:02Z collect TB260118 type=EDTA by=mira at=WARD-N on=H-09
09:10Z read-label "]d291TB260118" by=lena at=LAB on=H-01 how=reader
expect answer recorded
expect TB260118 facts Seen=1
# a returnable box by its own number: no tube is made of it
09:12Z pack TB260118 in="(8003)09521234000174BX7" by=lena at=LAB on=H-01
expect answer recorded
expect carrier 09521234000174BX7 holds 1
# a shipping number where a tube is wanted
09:13Z accept "(00)106141412345678908" by=lena at=LAB on=H-01
expect answer refused wrong-scheme
expect count AcceptedForTesting=0
