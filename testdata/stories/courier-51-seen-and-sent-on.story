# Common practice, no source
story "seen at one desk, missing at the next"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place VAN    kind=vehicle   assumed=18..25C
place WARD-N kind=ward      assumed=20..24C
place CENTRAL kind=reception assumed=20..24C
place SOUTH   kind=reception assumed=20..24C
carrier B-51 kind=box
carrier B-52 kind=box
request R-1 patient=P-7001 tube=TB261079,TB261080 type=LIHEP-GEL tests=K
08:00Z collect TB261079 TB261080 by=mira at=WARD-N on=H-09
08:05Z pack TB261079 TB261080 in=B-51 by=mira at=WARD-N on=H-09
08:10Z take B-51 from=mira by=oskar at=VAN on=H-07
08:30Z receive B-51 from=oskar by=lena at=SOUTH on=H-01
08:31Z see TB261079 by=lena at=SOUTH on=H-01
08:31Z receive TB261080 in=B-51 by=lena at=SOUTH on=H-01
08:32Z empty B-51 by=lena at=SOUTH on=H-01
# lena had both in hand
08:32Z expect TB261079 doubt none
08:32Z expect TB261080 doubt none
08:40Z pack TB261079 TB261080 in=B-52 by=lena at=SOUTH on=H-01
08:50Z take B-52 from=SOUTH by=oskar at=VAN on=H-07
09:30Z receive B-52 from=oskar by=mira at=CENTRAL on=H-02
09:31Z receive TB261079 in=B-52 by=mira at=CENTRAL on=H-02
09:32Z empty B-52 by=mira at=CENTRAL on=H-02
09:32Z expect TB261080 doubt missing
09:32Z expect TB261079 doubt none
