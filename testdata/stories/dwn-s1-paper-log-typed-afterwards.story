# DWN-S1 Paper log typed in afterwards
# Common practice, no source
story "the network was down all morning"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
place BENCH  kind=bench     assumed=20..24C
device H-01  kind=desk
device H-09  kind=phone
request R-1 patient=P-7001 type=LIHEP-GEL tests=K,GLU tube=TB261301,TB261302,TB261303,TB261304,TB261305,TB261306,TB261307,TB261308,TB261309,TB261310,TB261311,TB261312,TB261313,TB261314,TB261315,TB261316,TB261317,TB261318,TB261319,TB261320,TB261321,TB261322,TB261323,TB261324,TB261325,TB261326,TB261327,TB261328,TB261329,TB261330,TB261331,TB261332,TB261333,TB261334,TB261335,TB261336,TB261337,TB261338
# 38 lines of the paper log, typed at the desk at 14:00Z
09:10Z collect TB261301 by=mira at=WARD-N on=H-01 how=paper typed=09:10Z sent=14:00Z
09:16Z collect TB261302 by=mira at=WARD-N on=H-01 how=paper typed=09:16Z sent=14:00Z
09:21Z collect TB261303 by=mira at=WARD-N on=H-01 how=paper typed=09:21Z sent=14:00Z
09:27Z collect TB261304 by=mira at=WARD-N on=H-01 how=paper typed=09:27Z sent=14:00Z
09:33Z collect TB261305 by=mira at=WARD-N on=H-01 how=paper typed=09:33Z sent=14:00Z
09:38Z collect TB261306 by=mira at=WARD-N on=H-01 how=paper typed=09:38Z sent=14:00Z
09:44Z collect TB261307 by=mira at=WARD-N on=H-01 how=paper typed=09:44Z sent=14:00Z
09:50Z collect TB261308 by=mira at=WARD-N on=H-01 how=paper typed=09:50Z sent=14:00Z
09:55Z collect TB261309 by=mira at=WARD-N on=H-01 how=paper typed=09:55Z sent=14:00Z
10:01Z collect TB261310 by=mira at=WARD-N on=H-01 how=paper typed=10:01Z sent=14:00Z
10:07Z collect TB261311 by=mira at=WARD-N on=H-01 how=paper typed=10:07Z sent=14:00Z
10:12Z collect TB261312 by=mira at=WARD-N on=H-01 how=paper typed=10:12Z sent=14:00Z
10:18Z collect TB261313 by=mira at=WARD-N on=H-01 how=paper typed=10:18Z sent=14:00Z
10:24Z collect TB261314 by=mira at=WARD-N on=H-01 how=paper typed=10:24Z sent=14:00Z
10:29Z collect TB261315 by=mira at=WARD-N on=H-01 how=paper typed=10:29Z sent=14:00Z
10:35Z collect TB261316 by=mira at=WARD-N on=H-01 how=paper typed=10:35Z sent=14:00Z
10:41Z collect TB261317 by=mira at=WARD-N on=H-01 how=paper typed=10:41Z sent=14:00Z
10:46Z collect TB261318 by=mira at=WARD-N on=H-01 how=paper typed=10:46Z sent=14:00Z
10:52Z collect TB261319 by=mira at=WARD-N on=H-01 how=paper typed=10:52Z sent=14:00Z
10:58Z collect TB261320 by=mira at=WARD-N on=H-01 how=paper typed=10:58Z sent=14:00Z
11:04Z collect TB261321 by=mira at=WARD-N on=H-01 how=paper typed=11:04Z sent=14:00Z
11:09Z collect TB261322 by=mira at=WARD-N on=H-01 how=paper typed=11:09Z sent=14:00Z
11:15Z collect TB261323 by=mira at=WARD-N on=H-01 how=paper typed=11:15Z sent=14:00Z
11:21Z collect TB261324 by=mira at=WARD-N on=H-01 how=paper typed=11:21Z sent=14:00Z
11:26Z collect TB261325 by=mira at=WARD-N on=H-01 how=paper typed=11:26Z sent=14:00Z
11:32Z collect TB261326 by=mira at=WARD-N on=H-01 how=paper typed=11:32Z sent=14:00Z
11:38Z collect TB261327 by=mira at=WARD-N on=H-01 how=paper typed=11:38Z sent=14:00Z
11:43Z collect TB261328 by=mira at=WARD-N on=H-01 how=paper typed=11:43Z sent=14:00Z
11:49Z collect TB261329 by=mira at=WARD-N on=H-01 how=paper typed=11:49Z sent=14:00Z
11:55Z collect TB261330 by=mira at=WARD-N on=H-01 how=paper typed=11:55Z sent=14:00Z
12:00Z collect TB261331 by=mira at=WARD-N on=H-01 how=paper typed=12:00Z sent=14:00Z
12:06Z collect TB261332 by=mira at=WARD-N on=H-01 how=paper typed=12:06Z sent=14:00Z
12:12Z collect TB261333 by=mira at=WARD-N on=H-01 how=paper typed=12:12Z sent=14:00Z
12:17Z collect TB261334 by=mira at=WARD-N on=H-01 how=paper typed=12:17Z sent=14:00Z
12:23Z collect TB261335 by=mira at=WARD-N on=H-01 how=paper typed=12:23Z sent=14:00Z
12:29Z collect TB261336 by=mira at=WARD-N on=H-01 how=paper typed=12:29Z sent=14:00Z
12:34Z collect TB261337 by=mira at=WARD-N on=H-01 how=paper typed=12:34Z sent=14:00Z
12:40Z collect TB261338 by=mira at=WARD-N on=H-01 how=paper typed=12:40Z sent=14:00Z
# all were received and spun within the hour, by the same paper
09:30Z receive TB261301 from=mira by=lena at=LAB on=H-01 how=paper typed=09:30Z sent=14:00Z
09:36Z receive TB261302 from=mira by=lena at=LAB on=H-01 how=paper typed=09:36Z sent=14:00Z
09:41Z receive TB261303 from=mira by=lena at=LAB on=H-01 how=paper typed=09:41Z sent=14:00Z
09:47Z receive TB261304 from=mira by=lena at=LAB on=H-01 how=paper typed=09:47Z sent=14:00Z
09:53Z receive TB261305 from=mira by=lena at=LAB on=H-01 how=paper typed=09:53Z sent=14:00Z
09:58Z receive TB261306 from=mira by=lena at=LAB on=H-01 how=paper typed=09:58Z sent=14:00Z
10:04Z receive TB261307 from=mira by=lena at=LAB on=H-01 how=paper typed=10:04Z sent=14:00Z
10:10Z receive TB261308 from=mira by=lena at=LAB on=H-01 how=paper typed=10:10Z sent=14:00Z
10:15Z receive TB261309 from=mira by=lena at=LAB on=H-01 how=paper typed=10:15Z sent=14:00Z
10:21Z receive TB261310 from=mira by=lena at=LAB on=H-01 how=paper typed=10:21Z sent=14:00Z
10:27Z receive TB261311 from=mira by=lena at=LAB on=H-01 how=paper typed=10:27Z sent=14:00Z
10:32Z receive TB261312 from=mira by=lena at=LAB on=H-01 how=paper typed=10:32Z sent=14:00Z
10:38Z receive TB261313 from=mira by=lena at=LAB on=H-01 how=paper typed=10:38Z sent=14:00Z
10:44Z receive TB261314 from=mira by=lena at=LAB on=H-01 how=paper typed=10:44Z sent=14:00Z
10:49Z receive TB261315 from=mira by=lena at=LAB on=H-01 how=paper typed=10:49Z sent=14:00Z
10:55Z receive TB261316 from=mira by=lena at=LAB on=H-01 how=paper typed=10:55Z sent=14:00Z
11:01Z receive TB261317 from=mira by=lena at=LAB on=H-01 how=paper typed=11:01Z sent=14:00Z
11:06Z receive TB261318 from=mira by=lena at=LAB on=H-01 how=paper typed=11:06Z sent=14:00Z
11:12Z receive TB261319 from=mira by=lena at=LAB on=H-01 how=paper typed=11:12Z sent=14:00Z
11:18Z receive TB261320 from=mira by=lena at=LAB on=H-01 how=paper typed=11:18Z sent=14:00Z
11:24Z receive TB261321 from=mira by=lena at=LAB on=H-01 how=paper typed=11:24Z sent=14:00Z
11:29Z receive TB261322 from=mira by=lena at=LAB on=H-01 how=paper typed=11:29Z sent=14:00Z
11:35Z receive TB261323 from=mira by=lena at=LAB on=H-01 how=paper typed=11:35Z sent=14:00Z
11:41Z receive TB261324 from=mira by=lena at=LAB on=H-01 how=paper typed=11:41Z sent=14:00Z
11:46Z receive TB261325 from=mira by=lena at=LAB on=H-01 how=paper typed=11:46Z sent=14:00Z
11:52Z receive TB261326 from=mira by=lena at=LAB on=H-01 how=paper typed=11:52Z sent=14:00Z
11:58Z receive TB261327 from=mira by=lena at=LAB on=H-01 how=paper typed=11:58Z sent=14:00Z
12:03Z receive TB261328 from=mira by=lena at=LAB on=H-01 how=paper typed=12:03Z sent=14:00Z
12:09Z receive TB261329 from=mira by=lena at=LAB on=H-01 how=paper typed=12:09Z sent=14:00Z
12:15Z receive TB261330 from=mira by=lena at=LAB on=H-01 how=paper typed=12:15Z sent=14:00Z
12:20Z receive TB261331 from=mira by=lena at=LAB on=H-01 how=paper typed=12:20Z sent=14:00Z
12:26Z receive TB261332 from=mira by=lena at=LAB on=H-01 how=paper typed=12:26Z sent=14:00Z
12:32Z receive TB261333 from=mira by=lena at=LAB on=H-01 how=paper typed=12:32Z sent=14:00Z
12:37Z receive TB261334 from=mira by=lena at=LAB on=H-01 how=paper typed=12:37Z sent=14:00Z
12:43Z receive TB261335 from=mira by=lena at=LAB on=H-01 how=paper typed=12:43Z sent=14:00Z
12:49Z receive TB261336 from=mira by=lena at=LAB on=H-01 how=paper typed=12:49Z sent=14:00Z
12:54Z receive TB261337 from=mira by=lena at=LAB on=H-01 how=paper typed=12:54Z sent=14:00Z
13:00Z receive TB261338 from=mira by=lena at=LAB on=H-01 how=paper typed=13:00Z sent=14:00Z
09:40Z spin TB261301 by=lena at=BENCH on=H-01 how=paper typed=09:40Z sent=14:00Z
09:46Z spin TB261302 by=lena at=BENCH on=H-01 how=paper typed=09:46Z sent=14:00Z
09:51Z spin TB261303 by=lena at=BENCH on=H-01 how=paper typed=09:51Z sent=14:00Z
09:57Z spin TB261304 by=lena at=BENCH on=H-01 how=paper typed=09:57Z sent=14:00Z
10:03Z spin TB261305 by=lena at=BENCH on=H-01 how=paper typed=10:03Z sent=14:00Z
10:08Z spin TB261306 by=lena at=BENCH on=H-01 how=paper typed=10:08Z sent=14:00Z
10:14Z spin TB261307 by=lena at=BENCH on=H-01 how=paper typed=10:14Z sent=14:00Z
10:20Z spin TB261308 by=lena at=BENCH on=H-01 how=paper typed=10:20Z sent=14:00Z
10:25Z spin TB261309 by=lena at=BENCH on=H-01 how=paper typed=10:25Z sent=14:00Z
10:31Z spin TB261310 by=lena at=BENCH on=H-01 how=paper typed=10:31Z sent=14:00Z
10:37Z spin TB261311 by=lena at=BENCH on=H-01 how=paper typed=10:37Z sent=14:00Z
10:42Z spin TB261312 by=lena at=BENCH on=H-01 how=paper typed=10:42Z sent=14:00Z
10:48Z spin TB261313 by=lena at=BENCH on=H-01 how=paper typed=10:48Z sent=14:00Z
10:54Z spin TB261314 by=lena at=BENCH on=H-01 how=paper typed=10:54Z sent=14:00Z
10:59Z spin TB261315 by=lena at=BENCH on=H-01 how=paper typed=10:59Z sent=14:00Z
11:05Z spin TB261316 by=lena at=BENCH on=H-01 how=paper typed=11:05Z sent=14:00Z
11:11Z spin TB261317 by=lena at=BENCH on=H-01 how=paper typed=11:11Z sent=14:00Z
11:16Z spin TB261318 by=lena at=BENCH on=H-01 how=paper typed=11:16Z sent=14:00Z
11:22Z spin TB261319 by=lena at=BENCH on=H-01 how=paper typed=11:22Z sent=14:00Z
11:28Z spin TB261320 by=lena at=BENCH on=H-01 how=paper typed=11:28Z sent=14:00Z
11:34Z spin TB261321 by=lena at=BENCH on=H-01 how=paper typed=11:34Z sent=14:00Z
11:39Z spin TB261322 by=lena at=BENCH on=H-01 how=paper typed=11:39Z sent=14:00Z
11:45Z spin TB261323 by=lena at=BENCH on=H-01 how=paper typed=11:45Z sent=14:00Z
11:51Z spin TB261324 by=lena at=BENCH on=H-01 how=paper typed=11:51Z sent=14:00Z
11:56Z spin TB261325 by=lena at=BENCH on=H-01 how=paper typed=11:56Z sent=14:00Z
12:02Z spin TB261326 by=lena at=BENCH on=H-01 how=paper typed=12:02Z sent=14:00Z
12:08Z spin TB261327 by=lena at=BENCH on=H-01 how=paper typed=12:08Z sent=14:00Z
12:13Z spin TB261328 by=lena at=BENCH on=H-01 how=paper typed=12:13Z sent=14:00Z
12:19Z spin TB261329 by=lena at=BENCH on=H-01 how=paper typed=12:19Z sent=14:00Z
12:25Z spin TB261330 by=lena at=BENCH on=H-01 how=paper typed=12:25Z sent=14:00Z
12:30Z spin TB261331 by=lena at=BENCH on=H-01 how=paper typed=12:30Z sent=14:00Z
12:36Z spin TB261332 by=lena at=BENCH on=H-01 how=paper typed=12:36Z sent=14:00Z
12:42Z spin TB261333 by=lena at=BENCH on=H-01 how=paper typed=12:42Z sent=14:00Z
12:47Z spin TB261334 by=lena at=BENCH on=H-01 how=paper typed=12:47Z sent=14:00Z
12:53Z spin TB261335 by=lena at=BENCH on=H-01 how=paper typed=12:53Z sent=14:00Z
12:59Z spin TB261336 by=lena at=BENCH on=H-01 how=paper typed=12:59Z sent=14:00Z
13:04Z spin TB261337 by=lena at=BENCH on=H-01 how=paper typed=13:04Z sent=14:00Z
13:10Z spin TB261338 by=lena at=BENCH on=H-01 how=paper typed=13:10Z sent=14:00Z
09:52Z end-spin TB261301 by=lena at=BENCH on=H-01 how=paper typed=09:52Z sent=14:00Z
09:58Z end-spin TB261302 by=lena at=BENCH on=H-01 how=paper typed=09:58Z sent=14:00Z
10:03Z end-spin TB261303 by=lena at=BENCH on=H-01 how=paper typed=10:03Z sent=14:00Z
10:09Z end-spin TB261304 by=lena at=BENCH on=H-01 how=paper typed=10:09Z sent=14:00Z
10:15Z end-spin TB261305 by=lena at=BENCH on=H-01 how=paper typed=10:15Z sent=14:00Z
10:20Z end-spin TB261306 by=lena at=BENCH on=H-01 how=paper typed=10:20Z sent=14:00Z
10:26Z end-spin TB261307 by=lena at=BENCH on=H-01 how=paper typed=10:26Z sent=14:00Z
10:32Z end-spin TB261308 by=lena at=BENCH on=H-01 how=paper typed=10:32Z sent=14:00Z
10:37Z end-spin TB261309 by=lena at=BENCH on=H-01 how=paper typed=10:37Z sent=14:00Z
10:43Z end-spin TB261310 by=lena at=BENCH on=H-01 how=paper typed=10:43Z sent=14:00Z
10:49Z end-spin TB261311 by=lena at=BENCH on=H-01 how=paper typed=10:49Z sent=14:00Z
10:54Z end-spin TB261312 by=lena at=BENCH on=H-01 how=paper typed=10:54Z sent=14:00Z
11:00Z end-spin TB261313 by=lena at=BENCH on=H-01 how=paper typed=11:00Z sent=14:00Z
11:06Z end-spin TB261314 by=lena at=BENCH on=H-01 how=paper typed=11:06Z sent=14:00Z
11:11Z end-spin TB261315 by=lena at=BENCH on=H-01 how=paper typed=11:11Z sent=14:00Z
11:17Z end-spin TB261316 by=lena at=BENCH on=H-01 how=paper typed=11:17Z sent=14:00Z
11:23Z end-spin TB261317 by=lena at=BENCH on=H-01 how=paper typed=11:23Z sent=14:00Z
11:28Z end-spin TB261318 by=lena at=BENCH on=H-01 how=paper typed=11:28Z sent=14:00Z
11:34Z end-spin TB261319 by=lena at=BENCH on=H-01 how=paper typed=11:34Z sent=14:00Z
11:40Z end-spin TB261320 by=lena at=BENCH on=H-01 how=paper typed=11:40Z sent=14:00Z
11:46Z end-spin TB261321 by=lena at=BENCH on=H-01 how=paper typed=11:46Z sent=14:00Z
11:51Z end-spin TB261322 by=lena at=BENCH on=H-01 how=paper typed=11:51Z sent=14:00Z
11:57Z end-spin TB261323 by=lena at=BENCH on=H-01 how=paper typed=11:57Z sent=14:00Z
12:03Z end-spin TB261324 by=lena at=BENCH on=H-01 how=paper typed=12:03Z sent=14:00Z
12:08Z end-spin TB261325 by=lena at=BENCH on=H-01 how=paper typed=12:08Z sent=14:00Z
12:14Z end-spin TB261326 by=lena at=BENCH on=H-01 how=paper typed=12:14Z sent=14:00Z
12:20Z end-spin TB261327 by=lena at=BENCH on=H-01 how=paper typed=12:20Z sent=14:00Z
12:25Z end-spin TB261328 by=lena at=BENCH on=H-01 how=paper typed=12:25Z sent=14:00Z
12:31Z end-spin TB261329 by=lena at=BENCH on=H-01 how=paper typed=12:31Z sent=14:00Z
12:37Z end-spin TB261330 by=lena at=BENCH on=H-01 how=paper typed=12:37Z sent=14:00Z
12:42Z end-spin TB261331 by=lena at=BENCH on=H-01 how=paper typed=12:42Z sent=14:00Z
12:48Z end-spin TB261332 by=lena at=BENCH on=H-01 how=paper typed=12:48Z sent=14:00Z
12:54Z end-spin TB261333 by=lena at=BENCH on=H-01 how=paper typed=12:54Z sent=14:00Z
12:59Z end-spin TB261334 by=lena at=BENCH on=H-01 how=paper typed=12:59Z sent=14:00Z
13:05Z end-spin TB261335 by=lena at=BENCH on=H-01 how=paper typed=13:05Z sent=14:00Z
13:11Z end-spin TB261336 by=lena at=BENCH on=H-01 how=paper typed=13:11Z sent=14:00Z
13:16Z end-spin TB261337 by=lena at=BENCH on=H-01 how=paper typed=13:16Z sent=14:00Z
13:22Z end-spin TB261338 by=lena at=BENCH on=H-01 how=paper typed=13:22Z sent=14:00Z
# six of them stand in the phone's queue too; it counts seconds and is not the writer's watch
09:55:20Z collect TB261309 by=mira at=WARD-N on=H-09 sent=14:20Z
10:01:35Z collect TB261310 by=mira at=WARD-N on=H-09 sent=14:20Z
10:07:50Z collect TB261311 by=mira at=WARD-N on=H-09 sent=14:20Z
10:12:05Z collect TB261312 by=mira at=WARD-N on=H-09 sent=14:20Z
10:18:40Z collect TB261313 by=mira at=WARD-N on=H-09 sent=14:20Z
10:24:55Z collect TB261314 by=mira at=WARD-N on=H-09 sent=14:20Z
14:00Z expect count Collected=38
14:00Z expect TB261301/K within-limits used=42m from=09:10Z
14:00Z expect TB261301/GLU within-limits used=42m
14:00Z expect TB261301 doubt none
14:00Z expect TB261338/K within-limits used=42m from=12:40Z
# what is finished stands on no list of what is to be done
14:00Z expect TB261301 flag none
14:00Z expect TB261302 flag none
14:00Z expect TB261303 flag none
14:00Z expect TB261304 flag none
14:00Z expect TB261305 flag none
14:00Z expect TB261306 flag none
14:00Z expect TB261307 flag none
14:00Z expect TB261308 flag none
14:00Z expect TB261309 flag none
14:00Z expect TB261310 flag none
14:00Z expect TB261311 flag none
14:00Z expect TB261312 flag none
14:00Z expect TB261313 flag none
14:00Z expect TB261314 flag none
14:00Z expect TB261315 flag none
14:00Z expect TB261316 flag none
14:00Z expect TB261317 flag none
14:00Z expect TB261318 flag none
14:00Z expect TB261319 flag none
14:00Z expect TB261320 flag none
14:00Z expect TB261321 flag none
14:00Z expect TB261322 flag none
14:00Z expect TB261323 flag none
14:00Z expect TB261324 flag none
14:00Z expect TB261325 flag none
14:00Z expect TB261326 flag none
14:00Z expect TB261327 flag none
14:00Z expect TB261328 flag none
14:00Z expect TB261329 flag none
14:00Z expect TB261330 flag none
14:00Z expect TB261331 flag none
14:00Z expect TB261332 flag none
14:00Z expect TB261333 flag none
14:00Z expect TB261334 flag none
14:00Z expect TB261335 flag none
14:00Z expect TB261336 flag none
14:00Z expect TB261337 flag none
14:00Z expect TB261338 flag none
14:00Z expect count DoubtRaised=0
# six become one step each with two sources
14:20Z expect count Collected=38
14:20Z expect TB261309 facts Collected=1
14:20Z expect TB261309 doubt none
14:20Z expect TB261309 flag none
14:20Z expect TB261310 facts Collected=1
14:20Z expect TB261310 doubt none
14:20Z expect TB261310 flag none
14:20Z expect TB261311 facts Collected=1
14:20Z expect TB261311 doubt none
14:20Z expect TB261311 flag none
14:20Z expect TB261312 facts Collected=1
14:20Z expect TB261312 doubt none
14:20Z expect TB261312 flag none
14:20Z expect TB261313 facts Collected=1
14:20Z expect TB261313 doubt none
14:20Z expect TB261313 flag none
14:20Z expect TB261314 facts Collected=1
14:20Z expect TB261314 doubt none
14:20Z expect TB261314 flag none
14:20Z expect TB261309/GLU within-limits used=42m
14:20Z expect count DoubtRaised=0
