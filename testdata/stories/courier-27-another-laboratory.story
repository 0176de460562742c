# Common practice, no source
story "received where it wasn't meant to go"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place CENTRAL kind=reception assumed=20..24C
place SOUTH   kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB261044 type=EDTA tests=CBC to=CENTRAL
08:00Z collect TB261044 by=mira at=WARD-N on=H-09
08:10Z take TB261044 from=mira by=oskar at=VAN on=H-07
09:00Z receive TB261044 from=oskar by=lena at=SOUTH on=H-02
# who has it has it; nothing contradicts
expect answer recorded
09:00Z expect TB261044 holder SOUTH
09:00Z expect TB261044 doubt none
09:10Z take TB261044 from=SOUTH by=oskar at=SOUTH on=H-07
09:50Z receive TB261044 from=oskar by=mira at=CENTRAL on=H-01
09:50Z expect TB261044 holder CENTRAL
09:50Z expect TB261044 doubt none
09:50Z expect TB261044 facts Received=2
09:50Z expect TB261044/CBC within-limits used=110m
