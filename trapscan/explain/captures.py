"""Captures played out on bare bitboards: what `exchange` asks tens of thousands of times a scan.

The rules are those of python-chess, whose boards cost several times as much to move about on; the tests hold the two
against each other. A position here is a tuple of whole numbers, `State`. Values are those of `exchange`, in pawns.
"""

from __future__ import annotations

import chess

State = tuple[int, int, int, int, int, int, int, int, bool, int]
"""Men of the side to move, men of the other side, all pawns, knights, bishops, rooks, queens, kings (masks); whether
White is to move; the square where a pawn may be taken en passant, or -1."""

Step = tuple[chess.Square, chess.Square, chess.PieceType | None]
"""From, to, promotion."""

MATED = -100
_PLIES, _NODES = 10, 600
_WORTH = {chess.KNIGHT: 3, chess.BISHOP: 3, chess.ROOK: 5, chess.QUEEN: 9}
_QUEENING = 8

_BB = chess.BB_SQUARES
_PAWN, _KNIGHT, _KING = chess.BB_PAWN_ATTACKS, chess.BB_KNIGHT_ATTACKS, chess.BB_KING_ATTACKS
_DIAG, _DIAG_MASK = chess.BB_DIAG_ATTACKS, chess.BB_DIAG_MASKS
_FILE, _FILE_MASK = chess.BB_FILE_ATTACKS, chess.BB_FILE_MASKS
_RANK, _RANK_MASK = chess.BB_RANK_ATTACKS, chess.BB_RANK_MASKS
_LINES = [_DIAG[square][0] | _FILE[square][0] | _RANK[square][0] for square in chess.SQUARES]
_SEEN_FROM = [_LINES[square] | _KNIGHT[square] for square in chess.SQUARES]
"""Where a man must stand, or have stood, to give check to a king there, en passant aside."""
_LAST_RANKS = chess.BB_RANK_1 | chess.BB_RANK_8
_SEVENTH = (chess.BB_RANK_2, chess.BB_RANK_7)
_PLACE = [8 * chess.square_file(square) + chess.square_rank(square) for square in chess.SQUARES]
"""Sorts squares as their names are sorted; its own inverse."""
_BY_LETTER = (None, chess.BISHOP, chess.KNIGHT, chess.QUEEN, chess.ROOK)
"""Sorts promotions as the letters of UCI are sorted."""
_LETTER = {kind: place for place, kind in enumerate(_BY_LETTER)}


def state_of(board: chess.Board) -> State:
    """The position of `board`. Castling is left out: it takes nothing and is no way out of check."""
    white = board.turn
    return (
        board.occupied_co[white],
        board.occupied_co[not white],
        board.pawns,
        board.knights,
        board.bishops,
        board.rooks,
        board.queens,
        board.kings,
        white,
        -1 if board.ep_square is None else board.ep_square,
    )


def queen_reach(square: chess.Square, occupied: int) -> int:
    """The squares that a queen on `square` bears on."""
    return (
        _DIAG[square][_DIAG_MASK[square] & occupied]
        | _FILE[square][_FILE_MASK[square] & occupied]
        | _RANK[square][_RANK_MASK[square] & occupied]
    )


def settle(state: State) -> tuple[int, tuple[Step, ...]]:
    """The balance for the side to move once both have played out the captures and promotions that pay, and those
    moves: see `exchange.settle`."""
    return _settle(state, -1000, 1000, _PLIES, [0])


def loot(state: State, square: int) -> int:
    """What the side to move nets by capturing on `square`, each side with its least valuable man that legally can: see
    `exchange.loot`."""
    us, them, p, n, b, r, q, k, _, ep = state
    end = _BB[square]
    takers = _attackers(state, square)
    if not takers:
        return 0
    if them & end:
        pawns = takers & p
        prize = _value(state, end)
    elif square == ep and not us & end:
        pawns, takers, prize = takers & p, takers & p, 1
    else:
        return 0
    extra = _QUEENING if end & _LAST_RANKS else 0
    # a pawn that queens costs no more than a pawn; of equal men the one on the highest square takes
    for group in (pawns, takers & (n | b), takers & r, takers & q, takers & k):
        while group:
            origin = group.bit_length() - 1
            group ^= _BB[origin]
            queens = bool(extra and _BB[origin] & p)
            after = _after(state, origin, square, chess.QUEEN if queens else None)
            if _exposed(after):
                continue
            return max(0, prize + (extra if queens else 0) - loot(after, square))
    return 0


def loot_after(state: State, origin: int, target: int, promotion: chess.PieceType | None) -> int:
    """What the other side nets on `target` after this move, which is no castling."""
    return loot(_after(state, origin, target, promotion), target)


def _value(state: State, mask: int) -> int:
    """The value of the man that stands on the one square of `mask`; 0 for a king and for none."""
    if state[2] & mask:
        return 1
    if (state[3] | state[4]) & mask:
        return 3
    if state[5] & mask:
        return 5
    return 9 if state[6] & mask else 0


def _attackers(state: State, square: int) -> int:
    """The men of the side to move that bear on `square`."""
    us, them, p, n, b, r, q, k, white, _ = state
    occupied = us | them
    return us & (
        _KING[square] & k
        | _KNIGHT[square] & n
        | _PAWN[not white][square] & p
        | _DIAG[square][_DIAG_MASK[square] & occupied] & (b | q)
        | (_FILE[square][_FILE_MASK[square] & occupied] | _RANK[square][_RANK_MASK[square] & occupied]) & (r | q)
    )


def _checkers(state: State) -> int:
    """The men of the other side that give check."""
    us, them, p, n, b, r, q, k, white, _ = state
    king = us & k
    if not king:
        return 0
    square = king.bit_length() - 1
    occupied = us | them
    return them & (
        _KNIGHT[square] & n
        | _PAWN[white][square] & p
        | _DIAG[square][_DIAG_MASK[square] & occupied] & (b | q)
        | (_FILE[square][_FILE_MASK[square] & occupied] | _RANK[square][_RANK_MASK[square] & occupied]) & (r | q)
        | _KING[square] & k
    )


def _exposed(state: State) -> bool:
    """Whether the side to move could take the king: the move that led here was not legal."""
    king = state[1] & state[7]
    return bool(king and _attackers(state, king.bit_length() - 1))


def _after(state: State, origin: int, target: int, promotion: chess.PieceType | None = None) -> State:
    """The position after a pseudo-legal move, seen from the other side."""
    us, them, p, n, b, r, q, k, white, ep = state
    start, end = _BB[origin], _BB[target]
    stay = ~(start | end)
    if not p & start:
        return (
            them & stay,
            us & stay | end,
            p & stay,
            n & stay | end if n & start else n & stay,
            b & stay | end if b & start else b & stay,
            r & stay | end if r & start else r & stay,
            q & stay | end if q & start else q & stay,
            k & stay | end if k & start else k & stay,
            not white,
            -1,
        )
    if target == ep:
        stay &= ~_BB[target ^ 8]
    step = origin - target
    ep = (origin + target) >> 1 if step == 16 or step == -16 else -1
    them, us, p, n, b, r, q, k = (
        them & stay,
        us & stay | end,
        p & stay,
        n & stay,
        b & stay,
        r & stay,
        q & stay,
        k & stay,
    )
    if not promotion:
        p |= end
    elif promotion == chess.QUEEN:
        q |= end
    elif promotion == chess.ROOK:
        r |= end
    elif promotion == chess.BISHOP:
        b |= end
    else:
        n |= end
    return them, us, p, n, b, r, q, k, not white, ep


def _settle(state: State, low: int, high: int, plies: int, nodes: list[int]) -> tuple[int, tuple[Step, ...]]:
    """Captures-only search, from the mover's point of view, within the window `low`..`high`."""
    us, them, p, n, b, r, q, k, _, ep = state
    nodes[0] += 1
    minor = n | b
    stand = (
        (p & us).bit_count()
        - (p & them).bit_count()
        + 3 * ((minor & us).bit_count() - (minor & them).bit_count())
        + 5 * ((r & us).bit_count() - (r & them).bit_count())
        + 9 * ((q & us).bit_count() - (q & them).bit_count())
    )
    if plies <= 0 or nodes[0] > _NODES:
        return stand, ()
    checkers = _checkers(state)
    best = MATED if checkers else stand
    line: tuple[Step, ...] = ()
    if best >= high:
        return best, line
    low = max(low, best)
    any_move = False
    theirs = (them & k).bit_length() - 1
    seen = _SEEN_FROM[theirs] if theirs >= 0 else 0
    moves = _evasions(state, checkers) if checkers else _noisy(state, low - stand, seen)
    moves.sort()
    for key in moves:
        origin, target, promotion = _PLACE[key >> 9 & 63], _PLACE[key >> 3 & 63], _BY_LETTER[key & 7]
        quiet = not checkers and stand + _TOP - (key >> 19) <= low  # too little to matter, unless it gives check
        if quiet and not (_BB[origin] | _BB[target]) & seen and target != ep:
            continue
        after = _after(state, origin, target, promotion)
        if (quiet and not _checkers(after)) or _exposed(after):
            continue
        any_move = True
        value, rest = _settle(after, -high, -low, plies - 1, nodes)
        if -value > best:
            best, line = -value, ((origin, target, promotion), *rest)
            low = max(low, best)
            if best >= high:
                break
    if checkers and not any_move:
        return MATED, ()
    return best, line


_TOP = 32
"""Above all that one move can take."""


def _key(taken: int, value: int, origin: int, target: int, promotion: chess.PieceType | None) -> int:
    """A move as a number that sorts: the biggest prize first, then the smallest taker, then by UCI's letters."""
    return (_TOP - taken) << 19 | value << 15 | _PLACE[origin] << 9 | _PLACE[target] << 3 | _LETTER[promotion]


def _noisy(state: State, least: int, seen: int) -> list[int]:
    """Pseudo-legal captures and queen promotions, as keys; of the pieces' captures those are left out that take no more
    than `least` and cannot give check, as no square of `seen` is touched."""
    us, them, p, n, b, r, q, _, white, ep = state
    occupied = us | them
    keys = []
    dear = them & seen
    if least < 9:
        dear |= them & q
        if least < 5:
            dear |= them & r
            if least < 3:
                dear |= them & (n | b)
                if least < 1:
                    dear = them
    for value, origin, targets in _men(state, them, dear, seen, them):
        while targets:
            target = targets.bit_length() - 1
            targets ^= _BB[target]
            keys.append(_key(_value(state, _BB[target]), value, origin, target, None))
    pawns = us & p
    prizes = them if ep < 0 else them | _BB[ep]
    while pawns:
        origin = pawns.bit_length() - 1
        pawns ^= _BB[origin]
        targets = _PAWN[white][origin] & prizes
        if _BB[origin] & _SEVENTH[white]:
            targets |= _BB[origin + 8 if white else origin - 8] & ~occupied
        while targets:
            target = targets.bit_length() - 1
            targets ^= _BB[target]
            taken = 1 if target == ep else _value(state, _BB[target])
            queens = _BB[target] & _LAST_RANKS
            keys.append(
                _key(taken + _QUEENING, 1, origin, target, chess.QUEEN)
                if queens
                else _key(taken, 1, origin, target, None)
            )
    return keys


def _evasions(state: State, checkers: int) -> list[int]:
    """Pseudo-legal moves that may get out of check, as keys without a taker's value."""
    us, them, p, _, _, _, _, k, white, ep = state
    occupied = us | them
    keys = []
    king = (us & k).bit_length() - 1
    useful = 0  # against two checkers only the king moves
    if not checkers & (checkers - 1):
        useful = checkers | chess.between(king, checkers.bit_length() - 1)
    for _, origin, targets in _men(state, useful, useful, 0, ~us):
        while targets:
            target = targets.bit_length() - 1
            targets ^= _BB[target]
            keys.append(_key(_value(state, _BB[target]), 0, origin, target, None))
    pawns = us & p if useful else 0
    while pawns:
        origin = pawns.bit_length() - 1
        pawns ^= _BB[origin]
        ahead = 8 if white else -8
        targets = _PAWN[white][origin] & them & useful
        if ep >= 0:
            targets |= _PAWN[white][origin] & _BB[ep]
        if not _BB[origin + ahead] & occupied:
            targets |= _BB[origin + ahead] & useful
            if _BB[origin] & _SEVENTH[not white] and not _BB[origin + 2 * ahead] & occupied:
                targets |= _BB[origin + 2 * ahead] & useful
        while targets:
            target = targets.bit_length() - 1
            targets ^= _BB[target]
            taken = 1 if target == ep else _value(state, _BB[target])
            if _BB[target] & _LAST_RANKS:
                keys += [_key(taken + worth - 1, 0, origin, target, kind) for kind, worth in _WORTH.items()]
            else:
                keys.append(_key(taken, 0, origin, target, None))
    return keys


def _men(state: State, wanted: int, others: int, seen: int, by_king: int) -> list[tuple[int, int, int]]:
    """Of the mover's pieces and king that bear on wanted squares: value, square, those squares. Pieces on a square of
    `seen` may want all of `wanted`, other pieces `others`, the king `by_king`."""
    us, them, _, n, b, r, q, k, _, _ = state
    occupied = us | them
    men = []
    mask = us & n if others else us & n & seen
    while mask:
        square = mask.bit_length() - 1
        bit = _BB[square]
        mask ^= bit
        reach = _KNIGHT[square] & (wanted if bit & seen else others)
        if reach:
            men.append((3, square, reach))
    straight = r | q
    mask = us & (b | straight) if others else us & (b | straight) & seen
    while mask:
        square = mask.bit_length() - 1
        bit = _BB[square]
        mask ^= bit
        goals = wanted if bit & seen else others
        if not _LINES[square] & goals:
            continue
        reach = 0 if bit & r else _DIAG[square][_DIAG_MASK[square] & occupied]
        if bit & straight:
            reach |= _FILE[square][_FILE_MASK[square] & occupied] | _RANK[square][_RANK_MASK[square] & occupied]
        reach &= goals
        if reach:
            men.append((3 if bit & b else 5 if bit & r else 9, square, reach))
    mask = us & k
    if mask:
        square = mask.bit_length() - 1
        reach = _KING[square] & by_king
        if reach:
            men.append((0, square, reach))
    return men
