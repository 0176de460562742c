# Common practice, no source
story "the courier counted wrongly, reception counts right"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-33 kind=box
request R-1 patient=P-7001 tube=TB261054,TB261055 type=LIHEP-GEL tests=K
08:00Z collect TB261054 TB261055 by=mira at=WARD-N on=H-09
08:05Z pack TB261054 TB261055 in=B-33 by=mira at=WARD-N on=H-09
08:20Z take B-33 from=mira by=oskar at=VAN on=H-07 count=1
08:20Z expect B-33 doubt missing
# both arrive: nothing was missing
09:00Z receive B-33 from=oskar by=lena at=LAB on=H-01
09:02Z receive TB261054 TB261055 in=B-33 by=lena at=LAB on=H-01
09:02Z expect B-33 doubt none
09:02Z expect B-33 facts DoubtClosed=1
