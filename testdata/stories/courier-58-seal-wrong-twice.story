# Common practice, no source
story "an explanation holds for what it explained"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-59 kind=box
request R-1 patient=P-7001 tube=TB261089 type=LIHEP-GEL tests=K
08:00Z collect TB261089 by=mira at=WARD-N on=H-09
08:05Z pack TB261089 in=B-59 by=mira at=WARD-N on=H-09
08:06Z seal B-59 seal=S-200 by=mira at=WARD-N on=H-09
08:10Z take B-59 from=mira by=oskar at=VAN on=H-07 seal=S-201
08:10Z expect B-59 doubt broken-seal
08:15Z explain B-59 doubt=broken-seal by=mira at=WARD-N on=H-09 reason=misread
08:15Z expect B-59 doubt none
09:00Z receive B-59 from=oskar by=lena at=LAB on=H-01 seal=S-999
09:00Z expect B-59 doubt broken-seal
09:00Z expect B-59 facts DoubtRaised=2
