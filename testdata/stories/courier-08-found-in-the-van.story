# Common practice, no source
story "one tube stayed under the seat"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-9 kind=box
request R-1 patient=P-7001 tube=TB261012,TB261013 type=LIHEP-GEL tests=K
08:00Z collect TB261012 TB261013 by=mira at=WARD-N on=H-09
08:05Z pack TB261012 TB261013 in=B-9 by=mira at=WARD-N on=H-09
08:20Z take B-9 from=mira by=oskar at=VAN on=H-07
09:00Z receive B-9 from=oskar by=lena at=LAB on=H-01
09:05Z receive TB261012 in=B-9 by=lena at=LAB on=H-01
09:06Z empty B-9 by=lena at=LAB on=H-01
09:06Z expect TB261013 doubt missing
09:06Z expect TB261012 doubt none
10:30Z find TB261013 by=oskar at=VAN on=H-07
expect answer recorded
10:30Z expect TB261013 doubt none
10:30Z expect TB261013 holder VAN link=direct
10:35Z take TB261013 from=VAN by=oskar at=VAN on=H-07
10:50Z receive TB261013 from=oskar by=lena at=LAB on=H-01
10:50Z expect TB261013 doubt none
10:50Z expect TB261013 holder LAB
10:50Z expect TB261013 facts DoubtRaised=1
10:50Z expect TB261013 facts DoubtClosed=1
# its clock ran on under the seat
10:50Z expect TB261013/K within-limits used=170m
