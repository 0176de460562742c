# Common practice, no source
story "an urgent tube leaves the box on the way"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
place SOUTH  kind=reception assumed=20..24C
carrier B-58 kind=box
request R-1 patient=P-7001 tube=TB261087,TB261088 type=LIHEP-GEL tests=K
08:00Z collect TB261087 TB261088 by=mira at=WARD-N on=H-09
08:05Z pack TB261087 TB261088 in=B-58 by=mira at=WARD-N on=H-09
08:10Z take B-58 from=mira by=oskar at=VAN on=H-07
08:30Z receive TB261087 from=oskar by=lena at=SOUTH on=H-02
expect answer recorded
08:30Z expect TB261087 holder SOUTH link=direct
08:30Z expect TB261087 doubt none
08:30Z expect TB261088 holder oskar link=by-box
expect carrier B-58 holds 1
09:00Z receive B-58 from=oskar by=mira at=LAB on=H-01
09:01Z receive TB261088 in=B-58 by=mira at=LAB on=H-01
09:02Z empty B-58 by=mira at=LAB on=H-01
09:02Z expect TB261087 doubt none
09:02Z expect TB261087 holder SOUTH
09:02Z expect TB261088 doubt none
