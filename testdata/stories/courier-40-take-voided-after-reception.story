# Common practice, no source
story "the leg was another box's"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-40 kind=box
request R-1 patient=P-7001 tube=TB261066 type=LIHEP-GEL tests=K
08:00Z collect TB261066 by=mira at=WARD-N on=H-09
08:05Z pack TB261066 in=B-40 by=mira at=WARD-N on=H-09
08:10Z take B-40 from=mira by=oskar at=VAN on=H-07 id=t-40
08:40Z receive B-40 by=lena at=LAB on=H-01
08:42Z receive TB261066 in=B-40 by=lena at=LAB on=H-01
08:42Z expect TB261066 doubt none
09:00Z void t-40 carrier=B-40 by=oskar at=VAN on=H-07 reason=wrong-box
expect answer recorded
# without that leg nobody carried it
09:00Z expect TB261066 doubt leg-not-reported
09:00Z expect TB261066 holder LAB
# who did says so
08:15Z take B-40 from=mira by=lena at=VAN on=H-08 sent=09:10Z
09:10Z expect TB261066 doubt none
