# Common practice, no source
story "the desk picks the wrong courier from the list"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
person oskar role=courier
person mira  role=collector
carrier B-42 kind=box
request R-1 patient=P-7001 tube=TB261069 type=LIHEP-GEL tests=K
08:00Z collect TB261069 by=mira at=WARD-N on=H-09
08:05Z pack TB261069 in=B-42 by=mira at=WARD-N on=H-09
08:10Z take B-42 from=mira by=oskar at=VAN on=H-07
08:40Z receive B-42 from=mira by=lena at=LAB on=H-01 id=r-42
expect answer recorded
08:40Z expect B-42 doubt overlap
08:40Z expect B-42 holder LAB
08:45Z void r-42 carrier=B-42 by=lena at=LAB on=H-01 reason=wrong-courier
08:45Z receive B-42 from=oskar by=lena at=LAB on=H-01
08:46Z expect B-42 doubt none
08:46Z expect B-42 holder LAB
