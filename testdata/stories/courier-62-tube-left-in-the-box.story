# Common practice, no source
story "the box goes home with a tube that nobody took out"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-64 kind=box
request R-1 patient=P-7001 tube=TB261093,TB261094 type=LIHEP-GEL tests=K
08:00Z collect TB261093 TB261094 by=mira at=WARD-N on=H-09
08:05Z pack TB261093 TB261094 in=B-64 by=mira at=WARD-N on=H-09
08:10Z take B-64 from=mira by=oskar at=VAN on=H-07
08:40Z receive B-64 from=oskar by=lena at=LAB on=H-01
08:42Z receive TB261093 in=B-64 by=lena at=LAB on=H-01
# lena doesn't say that it is empty
09:00Z take B-64 from=lena by=oskar at=VAN on=H-07
09:00Z expect carrier B-64 holds 1
09:00Z expect TB261094 holder oskar link=by-box
09:30Z take B-64 from=oskar by=mira at=WARD-N on=H-09
09:31Z unpack TB261094 in=B-64 by=mira at=WARD-N on=H-09
09:31Z expect TB261094 holder mira at=WARD-N
09:31Z expect TB261094 doubt none
09:31Z expect TB261094/K within-limits used=91m
09:31Z expect TB261093 holder LAB
