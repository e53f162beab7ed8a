"""What is wrong with pictures and sequences, measured.

    finding, limits                 what a check says, and by which numbers
    check, checks                   what a check is, and the list of them; one file a check
    thresholds, setting             all limits and the file that changes them; which checks are done
    material, opening               files, patterns and folders as sequences and stills; a file as checks see it
    seen, small, averages, in_order a picture of a sequence, full and small; frames side by side, in order
    runner, graph_pictures, graph_runner
                                    files; what matters in a graph; each of its frames rendered once
    report, marking, marked_pictures
                                    one line for many frames; pictures with the places marked

A check of one picture is a pure function of it. A check of a sequence sees its frames one by one and keeps little
of each, so that memory does not grow with the number of frames.
"""
