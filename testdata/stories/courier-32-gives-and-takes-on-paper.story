# Common practice, no source
story "a paper list names one person on both sides"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
request R-1 patient=P-7001 tube=TB261053 type=LIHEP-GEL tests=K
08:00Z collect TB261053 by=mira at=WARD-N on=H-09
08:20Z take TB261053 from=oskar by=oskar at=VAN on=H-07 how=paper sent=10:00Z
# what already happened is never refused: it has one side only
expect answer recorded
10:00Z expect TB261053 doubt one-sided-handoff
10:00Z expect TB261053 holder oskar
