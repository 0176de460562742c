# Common practice, no source
story "a leaking tube leaves the box at the hatch"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place HATCH  kind=hatch     assumed=18..25C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-26 kind=box
request R-1 patient=P-7001 tube=TB261042,TB261043 type=LIHEP-GEL tests=K
08:00Z collect TB261042 TB261043 by=mira at=WARD-N on=H-09
08:05Z pack TB261042 TB261043 in=B-26 by=mira at=WARD-N on=H-09
08:10Z release B-26 to=HATCH by=mira at=HATCH on=H-09
08:30Z discard TB261042 by=mira at=HATCH on=H-09 reason=leak
expect carrier B-26 holds 1
08:40Z take B-26 by=oskar at=HATCH on=H-07 count=1
08:40Z expect B-26 doubt none
09:10Z receive B-26 from=oskar by=lena at=LAB on=H-01
09:11Z receive TB261043 in=B-26 by=lena at=LAB on=H-01
09:12Z empty B-26 by=lena at=LAB on=H-01
# what was thrown away is not missing
09:12Z expect TB261042 doubt none
09:13Z receive TB261042 by=lena at=LAB on=H-01
expect answer refused disposed
expect TB261042 facts Received=0
09:13Z expect TB261042 doubt none
# a list that says it arrived is recorded, with a doubt
09:14Z receive TB261042 by=lena at=LAB on=H-02 sent=10:00Z
10:00Z expect TB261042 doubt after-disposal
10:00Z expect TB261042 facts Received=1
