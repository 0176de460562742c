# Common practice, no source
story "sent to another laboratory until noon"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place LAB    kind=reception assumed=20..24C
place REF    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB261041 type=EDTA tests=CBC
08:00Z collect TB261041 by=mira at=WARD-N on=H-09
08:20Z receive TB261041 from=mira by=lena at=LAB on=H-01
08:30Z refer TB261041 to=REF due=12:00Z by=lena at=LAB on=H-01
expect answer recorded
11:59Z expect TB261041 doubt none
12:01Z expect TB261041 doubt late
13:00Z receive TB261041 from=oskar by=lena at=LAB on=H-01
13:00Z expect TB261041 doubt none
13:00Z expect TB261041 holder LAB
13:00Z expect TB261041 facts DoubtRaised=1
13:00Z expect TB261041 facts DoubtClosed=1
