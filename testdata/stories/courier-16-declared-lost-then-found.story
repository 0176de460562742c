# Common practice, no source
story "given up in the evening, found behind the rack"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-16 kind=box
request R-1 patient=P-7001 tube=TB261027,TB261028 type=EDTA tests=CBC
08:00Z collect TB261027 TB261028 by=mira at=WARD-N on=H-09
08:05Z pack TB261027 TB261028 in=B-16 by=mira at=WARD-N on=H-09
08:20Z take B-16 from=mira by=oskar at=VAN on=H-07
09:00Z receive B-16 from=oskar by=lena at=LAB on=H-01
09:05Z receive TB261027 in=B-16 by=lena at=LAB on=H-01
09:06Z empty B-16 by=lena at=LAB on=H-01
09:06Z expect TB261028 doubt missing
12:00Z declare-lost TB261028 by=lena at=LAB on=H-01 reason=searched-twice
expect answer recorded
# the search ended by a person's word; what is lost needs a new sample
12:00Z expect TB261028 doubt none
12:00Z expect TB261028 flag ask-new-sample
15:00Z find TB261028 by=lena at=LAB on=H-01
expect answer recorded
15:00Z expect TB261028 holder LAB
15:00Z expect TB261028 flag none
15:00Z expect TB261028/CBC within-limits used=420m
15:00Z expect TB261028 doubt none
15:00Z expect TB261028 facts DeclaredLost=1
15:00Z expect TB261028 facts Found=1
