# Common practice, no source
story "left at the hatch, received in the laboratory, carried by nobody"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place HATCH  kind=hatch     assumed=18..25C
place LAB    kind=reception assumed=20..24C
# the laboratory is a walk away from the hatch
route WALK from=HATCH to=LAB takes=10m
request R-1 patient=P-7001 tube=TB261051,TB261052 type=LIHEP-GEL tests=K
08:00Z collect TB261051 TB261052 by=mira at=WARD-N on=H-09
08:10Z release TB261051 TB261052 to=HATCH by=mira at=HATCH on=H-09
# one is fetched from the hatch, and reception says so; of the other nobody says how it came
09:00Z receive TB261051 from=HATCH by=lena at=LAB on=H-01
09:00Z receive TB261052 by=lena at=LAB on=H-01
09:01Z expect TB261051 doubt none
09:01Z expect TB261052 doubt leg-not-reported
09:01Z expect TB261052 holder LAB
