# Common practice, no source
story "one box, two laboratories, no way between"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place CENTRAL kind=reception assumed=20..24C
place SOUTH   kind=reception assumed=20..24C
carrier B-35 kind=box
request R-1 patient=P-7001 tube=TB261060 type=LIHEP-GEL tests=K
08:00Z collect TB261060 by=mira at=WARD-N on=H-09
08:05Z pack TB261060 in=B-35 by=mira at=WARD-N on=H-09
08:10Z take B-35 from=mira by=oskar at=VAN on=H-07
09:00Z receive B-35 from=oskar by=lena at=CENTRAL on=H-01
09:00Z expect B-35 doubt none
09:05Z receive B-35 by=mira at=SOUTH on=H-02
expect answer recorded
# a box comes and goes unscanned more often than a tube; what is asked is who carried it
09:05Z expect B-35 doubt leg-not-reported
# the courier carried it on, and his phone tells it later
09:02Z take B-35 from=CENTRAL by=oskar at=CENTRAL on=H-07 sent=09:30Z
09:30Z expect B-35 doubt none
09:30Z expect B-35 holder SOUTH
