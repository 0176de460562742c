# Common practice, no source
story "from one box into another in one scan"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
place HATCH  kind=hatch     assumed=18..25C
carrier B-44 kind=box
carrier B-45 kind=box
request R-1 patient=P-7001 tube=TB261071,TB261072 type=LIHEP-GEL tests=K
08:00Z collect TB261071 TB261072 by=mira at=WARD-N on=H-09
08:05Z pack TB261071 TB261072 in=B-44 by=mira at=WARD-N on=H-09
08:10Z take B-44 from=mira by=oskar at=VAN on=H-07
08:30Z arrive B-44 by=oskar at=HATCH on=H-07
08:32Z pack TB261071 TB261072 in=B-45 by=oskar at=HATCH on=H-07
expect answer recorded
expect carrier B-44 holds 0
expect carrier B-45 holds 2
08:33Z empty B-44 by=oskar at=HATCH on=H-07
08:33Z expect TB261071 doubt none
08:40Z release B-45 to=HATCH by=oskar at=HATCH on=H-07
08:40Z expect TB261071 holder HATCH link=by-box
# the old box goes its own way
08:50Z take B-44 from=oskar by=mira at=WARD-N on=H-09
08:50Z expect TB261071 holder HATCH link=by-box
08:50Z expect TB261072 doubt none
