# Common practice, no source
story "somebody sets the phone's clock back while it runs"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
device H-07 kind=phone
request R-1 patient=P-7001 tube=TB261026 type=LIHEP-GEL tests=K
09:00Z collect TB261026 by=mira at=WARD-N on=H-07 mono=1000000
09:10Z take TB261026 from=mira by=oskar at=VAN on=H-07 mono=1600000
09:10Z expect H-07 doubt none
# the counter went on for half an hour, the clock for ten minutes
09:20Z see TB261026 by=oskar at=VAN on=H-07 mono=3400000 sent=09:40Z
09:40Z expect H-07 doubt clock-jumped
09:40Z expect TB261026 doubt none
