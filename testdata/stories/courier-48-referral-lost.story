# Common practice, no source
story "the other laboratory says that it broke"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place LAB    kind=reception assumed=20..24C
place REF    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB261076 type=EDTA tests=CBC
08:00Z collect TB261076 by=mira at=WARD-N on=H-09
08:20Z receive TB261076 from=mira by=lena at=LAB on=H-01
08:30Z refer TB261076 to=REF due=12:00Z by=lena at=LAB on=H-01
12:01Z expect TB261076 doubt late
12:30Z declare-lost TB261076 by=lena at=LAB on=H-01 reason=broken-at-the-other-laboratory
expect answer recorded
12:30Z expect TB261076 doubt none
12:30Z expect TB261076 flag ask-new-sample
